"""The causes a sentence of a note names."""

from __future__ import annotations

from casebase.retain.story import Sentence
from casebase.retrieve.lexicon import Lexicon
from casebase.trade.words import FILLERS, tokens


def causes_in(sentence: Sentence, lexicon: Lexicon) -> list[str]:
    """The causes a sentence names, in order; the words of a name may stand in another order ("the stiff metering diaphragm")."""
    named = [(seen.start, seen.label) for seen in sentence.observations
             if seen.kind == "cause" and seen.status in ("present", "possible")]
    for start, end in sentence.stretches():
        if any(start <= place < end for place, _label in named):
            continue
        heads = {token.head for token in sentence.folded if start <= token.start < end}
        loose = [(len(words), label) for label, term in lexicon.vocabulary.terms["cause"].items() for name in (*label.split(" or "), label, *term.also)
                 if len(words := {token.head for token in lexicon.folding.fold(tokens(name))} - FILLERS) > 1 and words <= heads]
        if loose:
            named.append((start, max(loose)[1]))
    return list(dict.fromkeys(label for _start, label in sorted(named)))
