"""The vocabulary made ready for reading texts: word families, compiled patterns, spelling.

Compiling takes seconds, so it happens when the index is built; a query loads the result as JSON and decodes only
the patterns whose rarest word it meets.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Literal, NamedTuple

from casebase.trade import DATA
from casebase.trade.patterns import Hit, Pattern, Place, compile_pattern, match
from casebase.trade.terms import Kind, Term, Vocabulary
from casebase.trade.words import Folding, Token, words_of

# Kinds whose terms are looked for in what people say.
_READ_KINDS: tuple[Kind, ...] = ("symptom", "check", "action", "cause", "setting", "machine", "engine", "carburettor")


How = Literal["name", "said", "denies", "part"]
_ORDER: dict[How, int] = {"name": 0, "said": 1, "denies": 2, "part": 3}


class Found(NamedTuple):
    """A term met in a text. `used` are positions of the tokens it used, `start` and `end` characters.

    `how` tells a name of the term from a pattern of speech ("said"), a pattern that means its absence ("denies")
    and the mere name of the part ("part"), which says something only where it is denied or suspected.
    """

    kind: Kind
    label: str
    used: tuple[int, ...]
    start: int
    end: int
    how: How


class _Row(NamedTuple):
    """A pattern as it is stored: what it stands for, the headwords of each place, and for each part its places' gaps.

    `meets` says whether it is for texts as they are, for joined ones, or for both.
    """

    kind: Kind
    label: str
    how: How
    places: Sequence[Sequence[str]]
    gaps: Sequence[Sequence[int]]
    meets: Literal["plain", "joined", "both"] = "both"

    @property
    def pattern(self) -> Pattern:
        places = iter(self.places)
        return Pattern(tuple(tuple(Place(frozenset(next(places)), gap) for gap in part) for part in self.gaps))


@dataclass(slots=True, eq=False, repr=False)
class Lexicon:
    """Everything `understand` needs.

    `filed` holds the patterns by each headword of their rarest place, as JSON that is decoded when the word is met.
    """

    vocabulary: Vocabulary
    folding: Folding
    filed: dict[str, str]
    _met: dict[str, tuple[list[_Row], list[_Row]]] = field(default_factory=dict)
    _corrections: dict[str, str | None] = field(default_factory=dict)
    _spellings: dict[str, list[str]] = field(default_factory=dict)
    _ambiguous: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @classmethod
    def build(cls, vocabulary: Vocabulary) -> Lexicon:
        sources = list(_sources(vocabulary))
        pattern_words = {word for _term, source, _how in sources
                         for piece in source.replace("&", " ").replace("...", " ").replace("|", " ").split()
                         for word in words_of(piece)}
        folding = Folding.build(vocabulary.words, pattern_words)
        return cls(vocabulary, folding, _filed(_compiled(sources, folding)))

    def as_json(self) -> dict[str, str]:
        """Everything a query needs, as texts whose lines are decoded only when they are met."""
        return {
            **self.vocabulary.as_json(), "runs": json.dumps(self.folding.runs),
            "forms": "\n".join(self.folding.heads), "heads": "\n".join(self.folding.heads.values()),
            "filed under": "\n".join(self.filed), "filed": "\n".join(self.filed.values())}

    @classmethod
    def from_json(cls, data: Mapping[str, str]) -> Lexicon:
        runs = {first: [(tuple(words), head) for words, head in options]
                for first, options in json.loads(data["runs"]).items()}
        return cls(Vocabulary.from_json(data), Folding(_paired(data["forms"], data["heads"]), runs),
                   _paired(data["filed under"], data["filed"]))

    def _filed_under(self, head: str) -> tuple[list[_Row], list[_Row]]:
        """The patterns filed under a headword: those for texts as they are, and those for joined ones."""
        if head not in self._met:
            rows = [_Row(*row) for row in json.loads(self.filed[head])]
            self._met[head] = ([row for row in rows if row.meets != "joined"], [row for row in rows if row.meets != "plain"])
        return self._met[head]

    def find(self, folded: Sequence[Token]) -> list[Found]:
        """All terms in a text, the longest first; a word serves one term of a kind only.

        `folded` are the tokens after `Folding.fold`. Terms written as several words are met both joined and
        word by word, so that "gas line" is a fuel line and still a line.
        """
        candidates = [*self._candidates(list(folded), joined=False)]
        runs = self.folding.join(list(folded))
        positions = _positions(folded, runs)
        for found in self._candidates(runs, joined=True):
            used = tuple(position for token in found.used for position in positions[token])
            candidates.append(Found(found.kind, found.label, used, found.start, found.end, found.how))
        candidates.sort(key=lambda f: (-len(f.used), f.used[-1] - f.used[0], _ORDER[f.how], f.used, f.kind, f.label))
        kept: list[Found] = []
        for found in candidates:
            rivals = [other for other in kept if other.kind == found.kind and not set(found.used).isdisjoint(other.used)]
            if all(_parted_by_but(found, other, folded) for other in rivals):
                kept.append(found)
        return sorted(kept, key=lambda f: (f.used, f.kind, f.label))

    def _candidates(self, text: list[Token], *, joined: bool) -> Iterator[Found]:
        heads = {token.head for token in text}
        for head in heads & self.filed.keys():
            for row in self._filed_under(head)[joined]:
                for place in row.places:
                    if heads.isdisjoint(place):
                        break  # most patterns lack a word, and that is told faster than by trying
                else:
                    for hit in _hits(row.pattern, text):
                        yield Found(row.kind, row.label, hit.used, min(text[i].start for i in hit.used),
                                    max(text[i].end for i in hit.used), row.how)

    def correct(self, word: str) -> str | None:
        """The trade's word a misspelt one most likely means, or None.

        Damerau–Levenshtein distance of at most 1 for words of five to eight letters, 2 from nine on, the first
        letter right; of several as near, the one with the highest Jaro–Winkler similarity. A word that English
        has itself is never "corrected": "shock" stays a shock.
        """
        if len(word) < 5 or not word.isalpha() or word in self.folding.heads or word in _real_words():
            return None
        if word not in self._corrections:
            self._corrections[word] = self._nearest(word)
        return self._corrections[word]

    def _nearest(self, word: str) -> str | None:
        from rapidfuzz import process
        from rapidfuzz.distance import OSA, JaroWinkler

        if not self._spellings:
            spellings: dict[str, list[str]] = {}
            for form in self.folding.heads:
                if len(form) >= 4:
                    spellings.setdefault(form[0], []).append(form)
            self._spellings.update(spellings)  # all at once: another thread may be asking already
        limit = 1 if len(word) < 9 else 2
        near = process.extract(word, self._spellings.get(word[0], ()), scorer=OSA.distance, score_cutoff=limit,
                               limit=8)
        if not near:
            return None
        return str(min(near, key=lambda row: (row[1], -JaroWinkler.similarity(word, row[0]), row[0]))[0])

    @property
    def ambiguous(self) -> dict[str, tuple[str, ...]]:
        """The ambiguous single words with what they may mean."""
        if not self._ambiguous:
            self._ambiguous.update({words_of(word)[0]: meanings for word, meanings in
                                    self.vocabulary.ambiguous.items() if len(words_of(word)) == 1})
        return self._ambiguous


def _parted_by_but(one: Found, other: Found, text: Sequence[Token]) -> bool:
    """Whether two terms share only their subject and say their own on two sides of a "but" or "and".

    "Primer bulb not cracked but hard" speaks of one bulb and says two things of it.
    """
    shared, first, second = set(one.used) & set(other.used), set(one.used) - set(other.used), set(other.used) - set(one.used)
    if not first or not second:
        return False
    before, after = (first, second) if max(first) < min(second) else (second, first)
    middle = range(max(before), max(after) + 1)
    return max(shared | before) < min(after) and any(text[position].text in ("but", "and") for position in middle)


def _paired(keys: str, values: str) -> dict[str, str]:
    """A dictionary from two texts of a line each, which loads faster than anything else."""
    return dict(zip(keys.split("\n"), values.split("\n"), strict=True))


def _compiled(sources: Iterable[tuple[Term, str, How]], folding: Folding) -> list[_Row]:
    """The patterns of all sources, each once."""
    rows: dict[str, _Row] = {}
    for term, source, how in sources:
        for meets in ("plain", "joined"):
            pattern = compile_pattern(source, folding, joined=meets == "joined")
            if all(pattern.parts) and not _shrunk(term.kind, source, pattern):
                row = _Row(term.kind, term.label, how, [sorted(place.heads) for part in pattern.parts for place in part],
                           [[place.gap for place in part] for part in pattern.parts])
                before = rows.get(repr(row))
                rows[repr(row)] = row._replace(meets="both" if before and before.meets != meets else meets)
    return list(rows.values())


def _filed(rows: Sequence[_Row]) -> dict[str, str]:
    """The patterns as JSON, by each headword of that place whose words the fewest patterns have.

    By their first words, "will" alone would lead to hundreds of patterns in vain.
    """
    common = Counter(word for row in rows for word in {word for place in row.places for word in place})
    filed: dict[str, list[_Row]] = {}
    for row in rows:
        for word in min(row.places, key=lambda place: sum(common[word] for word in place)):
            filed.setdefault(word, []).append(row)
    return {word: json.dumps(found, separators=(",", ":")) for word, found in filed.items()}


def _hits(pattern: Pattern, text: Sequence[Token]) -> Iterator[Hit]:
    """Every fit of a pattern, from left to right."""
    anchors = pattern.anchors
    for start, token in enumerate(text):
        if token.head in anchors and (hit := match(pattern, text, start)) is not None:
            yield hit


def _shrunk(kind: Kind, source: str, pattern: Pattern) -> bool:
    """Whether joining left one word of a longer phrase ("prime pump" is a variant of the bulb's name).

    The part alone says nothing of what was done to it or is wrong with it.
    """
    return kind in ("symptom", "action", "cause", "check") and pattern.size == 1 and len(source.split()) > 1


def _positions(folded: Sequence[Token], joined: Sequence[Token]) -> list[range]:
    """For each joined token the positions of the plain tokens it stands for."""
    ranges, position = [], 0
    for token in joined:
        length = len(token.text.split(" ")) if " " in token.text else 1
        ranges.append(range(position, position + length))
        position += length
    assert position == len(folded)
    return ranges


def _sources(vocabulary: Vocabulary) -> Iterator[tuple[Term, str, How]]:
    """Each way a term can be met. The bare name of a group of causes ("fuel") is no statement about it."""
    groups = {term.under for term in vocabulary.terms["cause"].values()}
    for kind in _READ_KINDS:
        for term in vocabulary.terms[kind].values():
            is_group = kind == "cause" and term.label in groups
            for name in term.also if is_group else (term.label, *term.also):
                yield term, name, "name"
            for said in term.said:
                yield term, said, "said"
            for denial in term.denied_by:
                yield term, denial, "denies"
            if term.part:
                yield term, term.part, "part"


@cache
def _real_words() -> frozenset[str]:
    text = (DATA / "real_words.txt").read_text(encoding="utf-8")
    return frozenset(line for line in text.split("\n") if line and not line.startswith("#"))
