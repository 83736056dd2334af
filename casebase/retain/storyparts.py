"""Verb and part to a term of the vocabulary: "in went a new needle and diaphragm", "carb stripped", "did the plug and the filter".

The vocabulary names what can be done as a verb and a part ("replace float needle"). Here its names are taken apart, so
that any verb of the same kind with any list of parts finds them, and a part named in short is the one just spoken of.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from functools import cache
from typing import NamedTuple

from casebase.retain.story import Sentence
from casebase.retrieve.lexicon import Lexicon
from casebase.trade.terms import Term
from casebase.trade.words import FILLERS, tokens

# Kinds of doing and the words for them; the first of each is tried with the patterns of the vocabulary.
_DOING = {
    "replace": "replaced replacing changed swapped renewed fitted installed exchanged substituted upgraded",
    "clean": "cleaned cleared washed scraped brushed flushed rinsed wiped degreased unblocked raked poked burned burnt decoked decarbonised "
             "scrubbed polished soaked blew sanded scoured hosed unclogged picked swept dug",
    "adjust": "adjusted set reset regapped straightened realigned aligned shortened re-set gapped readjusted",
    "tighten": "tightened nipped snugged retightened re-tightened",
    "repair": "repaired mended soldered rewired patched fixed glued resoldered spliced rejoined insulated taped",
    "free": "freed unstuck loosened unseized eased",
    "grease": "greased oiled lubricated lubed regreased",
    "sharpen": "sharpened filed ground dressed balanced honed",
    "refit": "refitted reattached reconnected reseated re-seated re-fitted clipped pushed",
    "drain": "drained emptied dumped refilled tipped",
    "service": "serviced overhauled rebuilt stripped rebushed",
    "charge": "charged recharged",
}
KIND_OF = {word: kind for kind, words in _DOING.items() for word in words.split()}
# Which kinds of doing a verb of the vocabulary answers to.
_ANSWERS = {
    "replace": ("replace",), "fit": ("replace",), "change": ("replace", "drain"), "new": ("replace",), "clean": ("clean",), "clear": ("clean",),
    "decarbonise": ("clean",), "flush": ("clean", "drain"), "strip": ("service", "clean"), "adjust": ("adjust",), "set": ("adjust",), "tighten": ("tighten",),
    "repair": ("repair", "replace", "clean"), "free": ("free", "clean", "grease", "adjust"), "grease": ("grease",), "sharpen": ("sharpen",),
    "dress": ("sharpen", "clean"), "refit": ("refit", "replace"), "reseat": ("refit",), "overhaul": ("service", "replace"),
    "straighten": ("adjust", "repair"), "drain": ("drain",), "charge": ("charge",), "service": tuple(_DOING), "balance": ("sharpen",)}
_VERB = re.compile(rf"\b(?:{'|'.join(sorted(KIND_OF, key=len, reverse=True))})\b", re.IGNORECASE)
_NEW = re.compile(r"(?:(?<![\w-])(?:(?:brand[- ])?new|replacement|fresh|second[- ]hand|genuine)\s+(?=[a-z]))", re.IGNORECASE)
_DID = re.compile(r"\b(?:did|done|put in|put on|in went|on went|treated it to|gave it|went|in goes)\s+(?=(?:the|a|an|both|new|its)\s)", re.IGNORECASE)
_NOT_NEW = re.compile(r"\b(?:like|as|good as|look(?:s|ed)?|was|were|is|are|nearly|almost|no|of|than|when|it wants|it needs|needs?|wants?)\s+(?:a |the )?$", re.IGNORECASE)
_SPLIT = re.compile(r"\s*(?:,\s*(?:and\s+)?|\b(?:and|plus|as well as|along with|together with)\b|&)\s*", re.IGNORECASE)
_STOP = re.compile(r"[.;:()!?]|\s[-–—]\s|\b(?:but|then|so|which|that|because|while|when|until|who|it|he|she|they|i|we|himself|herself|themselves|was|were|is|are|"
                   r"had|has|made|did|no|not|nothing|still|neither|both (?:of|were)|took|came|ran|started|checked|looked|measured)\b", re.IGNORECASE)
_CUT = re.compile(r"\b(?:with|for|in|on|from|off|out|back|at|under|by|to|before|after|between|through|over|up|down|properly|again|too|as|using|round|around|"
                  r"instead|first|next|myself|anyway|together|well|today|carefully|clean|free)\b", re.IGNORECASE)
_LEAD = re.compile(r"^(?:(?:the|a|an|its|his|her|their|both|new|fresh|another|old|two|all|some|this|those|these|also|just|out|off|up|through|whole|complete|genuine|set of|"
                   r"pair of|bit of|whole lot of|of|on|in|replacement|used|brand)\s+)+", re.IGNORECASE)


class Named(NamedTuple):
    """Something done to a part, at characters `start` to `end` of its sentence."""

    label: str
    start: int
    end: int


class _Part(NamedTuple):
    label: str
    verbs: frozenset[str]
    heads: frozenset[str]


class Parts:
    """The names of what can be done, taken apart into verbs and parts."""

    def __init__(self, lexicon: Lexicon) -> None:
        self.lexicon = lexicon
        self.parts = _parts(lexicon)

    def heads(self, text: str) -> frozenset[str]:
        """The headwords of a name, those of several words taken apart, without fillers."""
        return _heads(self.lexicon, text)

    def done(self, sentence: Sentence, known: Sequence[tuple[int, int]], near: Collection[str]) -> Iterator[Named]:
        """What is done to the parts of a sentence beyond `known` stretches; `near` are words of what was just spoken of."""
        text = sentence.text
        openings = [(match.start(), match.end(), KIND_OF[match.group().lower()]) for match in _VERB.finditer(text)]
        openings += [(match.start(), match.end(), "replace") for pattern in (_NEW, _DID) for match in pattern.finditer(text)
                     if not _NOT_NEW.search(text[: match.start()])]
        taken = list(known)
        for start, end, kind in sorted(openings):
            place = start
            hits = 0
            for low, high in _objects(text, end):
                if any(one < high and low < other for one, other in taken):
                    hits += 1
                    continue  # a pattern of the vocabulary has it already
                label = self.action(kind, text[low:high], near)
                if not label:
                    break
                hits += 1
                span = (place if hits == 1 and not any(one <= place < other for one, other in taken) else low, high)
                taken.append(span)
                yield Named(label, *span)
            if not hits:
                yield from self._told_of(sentence, start, end, kind, near, taken)

    def _told_of(self, sentence: Sentence, start: int, end: int, kind: str, near: Collection[str],
                 taken: list[tuple[int, int]]) -> Iterator[Named]:
        """The parts before the verb: "carb stripped and cleaned", "plug and filter changed"."""
        text = sentence.text
        low = max(sentence.segment_at(start)[0], max((match.end() for match in re.finditer(r"[,;:]\s", text[:start])), default=0))
        subject = re.sub(r"\s+(?:(?:was|were|got|then|also|been|has|have|now|and|stripped|taken|off|all)\s*)+$", "", text[low:start].rstrip() + " ")
        if re.search(r"\b(?:i|we|he|she|they|it|you)\b", subject, re.IGNORECASE) or not subject.strip() or len(subject.split()) > 6:
            return
        if any(one < end and low < other for one, other in taken):
            return
        for piece in _SPLIT.split(subject):
            label = self.action(kind, piece.strip(), near)
            if label:
                at = text.index(piece.strip(), low)
                taken.append((at, end))
                yield Named(label, at, end)

    def action(self, kind: str, part: str, near: Collection[str] = ()) -> str:
        """The action for a kind of doing and the words for a part; "" where none, or more than one, is meant."""
        said = _LEAD.sub("", part.strip() + " ").strip()
        wanted = self.heads(said)
        if not wanted:
            return ""
        folding = self.lexicon.folding
        for verb in (kind, *({"replace": ("new", "fit"), "clean": ("clear",), "adjust": ("set",)}.get(kind, ()))):
            found = [term for term in self.lexicon.find(folding.fold(list(tokens(f"{verb} {said}"))))
                     if term.kind == "action" and len(term.used) > 1 and 0 in term.used]
            if found:
                return found[0].label
        rated = [(self._rate(part_, wanted, near), part_.label) for part_ in self.parts if kind in part_.verbs]
        best = max(rated, default=(0.0, ""))
        if best[0] < 1:
            return ""
        labels = {label for rating, label in rated if rating == best[0]}
        return best[1] if len(labels) == 1 else ""

    def of_kind(self, kind: str, near: Collection[str], causes: Collection[str]) -> str:
        """The one action of a kind that removes a cause just seen or is best told by the words near by; "" where none stands out."""
        actions = self.lexicon.vocabulary.terms["action"]
        rated: dict[str, float] = {}
        for part in self.parts:
            if kind in part.verbs and part.heads:
                told = len(part.heads & set(near)) / len(part.heads)
                rated[part.label] = max(rated.get(part.label, 0.0), told + (1.5 if not set(causes).isdisjoint(actions[part.label].cures) else 0.0))
        best = max(rated.values(), default=0.0)
        labels = [label for label, rating in rated.items() if rating == best]
        return labels[0] if len(labels) == 1 and best >= 1 else ""

    def _rate(self, part: _Part, wanted: frozenset[str], near: Collection[str]) -> float:
        """How well a part answers to words: all of its words said, or a short name of the part just spoken of."""
        if part.heads == wanted:
            return 3 + len(part.heads)
        if part.heads < wanted:
            return 1 + len(part.heads) - (len(wanted) - len(part.heads)) / 10
        if wanted < part.heads:
            return 1 + len(wanted) / len(part.heads) if (part.heads - wanted) <= set(near) else .5
        return 0


def _objects(text: str, start: int) -> Iterator[tuple[int, int]]:
    """The stretches of a text from `start` on that may name parts, one after another."""
    stop = _STOP.search(text, start)
    end = stop.start() if stop else len(text)
    low = start
    for match in (*_SPLIT.finditer(text, start, end), None):
        high = match.start() if match else end
        piece = text[low:high]
        lead = _LEAD.match(piece.lstrip() + " ")
        skip = len(piece) - len(piece.lstrip()) + (lead.end() if lead else 0)
        if _VERB.match(piece.lstrip()):
            return
        cut = _CUT.search(piece, min(skip, len(piece)))
        high = low + (cut.start() if cut else len(piece))
        while high > low and text[high - 1].isspace():
            high -= 1
        if len(text[low + skip:high].split()) > 5 or re.match(r"\s*[\d€£$]", text[low:high]):
            return
        if text[low:high].strip():
            yield low + len(text[low:high]) - len(text[low:high].lstrip()), high
        low = match.end() if match else end


_NO_NAME = FILLERS | {"or", "with", "in", "into", "back", "old", "original", "part", "right", "order", "new"}


def _heads(lexicon: Lexicon, text: str) -> frozenset[str]:
    folding = lexicon.folding
    return frozenset(word for token in folding.join(folding.fold(list(tokens(text)))) if not token.is_break
                     for word in token.head.split()) - _NO_NAME


@cache
def _parts(lexicon: Lexicon) -> tuple[_Part, ...]:
    found: dict[_Part, None] = {}
    for label, term in lexicon.vocabulary.terms["action"].items():
        if " with " not in label:
            for part in _apart(lexicon, label, term):
                found.setdefault(part, None)
    return tuple(found)


def _apart(lexicon: Lexicon, label: str, term: Term) -> Iterator[_Part]:
    """ "clear or replace tank vent" is clear|replace and {tank, vent}."""
    for name in (label, *term.also):
        verbs: list[str] = []
        words: list[str] = []
        for word in [*name.split(), "or"]:
            if word in _ANSWERS and not words:
                verbs.append(word)
            elif word in ("or", "and") and words:
                if verbs:
                    yield _Part(label, frozenset(kind for verb in verbs for kind in _ANSWERS[verb]), _heads(lexicon, " ".join(words)))
                words = []
            elif word not in ("or", "and"):
                if word in _ANSWERS:
                    verbs = [word]
                else:
                    words.append(word)
