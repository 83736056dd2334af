"""From characters to headwords: the first step of understanding, shared by patterns and texts.

A text becomes tokens (lower case, contractions opened: "won't" is read "will not"); each token is folded to
the headword of its family ("carbs" to "carburettor", "leaking" to "leak"). Families come from the vocabulary;
regular inflections of every known word are added here. No general stemmer is used: it would merge "generator"
with "general".
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

_TOKEN = re.compile(r"\d+(?:[.,]\d+)*|[^\W\d_]+(?:'[^\W\d_]+)*|\.{2,}|[.;!?:\n,/…]")
_HARD_BREAKS = frozenset(".;!?\n:")
_SUFFIXES = {"'s": "is", "'m": "am", "'re": "are", "'ve": "have", "'ll": "will", "'d": "would"}
_OPENED = {
    "won't": ("will", "not"), "can't": ("can", "not"), "cannot": ("can", "not"), "shan't": ("shall", "not"),
    "ain't": ("is", "not"), "gonna": ("going", "to"), "wanna": ("want", "to"), "dunno": ("do", "not", "know"),
}
_WHO, _SEEN = frozenset({"i", "we", "you", "he", "she", "they", "who", "never", "then"}), "see"  # after these "saw" is a verb
_BARE = {f"{verb}nt": (verb, "not") for verb in (
    "do", "does", "did", "is", "was", "were", "are", "would", "could", "should", "has", "have", "had")}
_BARE |= {"wont": ("will", "not"), "cant": ("can", "not"), "aint": ("is", "not"), "its": ("it", "is"),
          "im": ("i", "am"), "ive": ("i", "have")}
_FORMS_OF_AUXILIARIES = {
    "be": ("is", "are", "was", "were", "am", "been", "being"), "will": ("would",), "can": ("could",),
    "do": ("does", "did", "done", "doing"), "have": ("has", "had", "having"), "get": ("gets", "got", "getting"),
}
# Words that may stand between two words of a pattern without counting. "Off", "out", "only", "with" and "when"
# carry meaning and are not among them.
FILLERS = frozenset(
    ["a", "an", "the", "my", "our", "your", "his", "her", "its", "it", "i", "me", "we", "you", "he", "she", "they", "this", "that", "these", "those", "there", "just", "very", "really", "so", "then", "and", "of", "to", "be", "some", "all", "too", "quite", "pretty", "bit", "little", "now", "still", "also", "even", "right", "at", "on", "in", "up"])


class Token(NamedTuple):
    """One word of a text, or a break ("." or ","). `start` and `end` are character positions."""

    text: str
    head: str
    start: int
    end: int

    @property
    def is_hard_break(self) -> bool:
        return self.text in _HARD_BREAKS

    @property
    def is_break(self) -> bool:
        return self.text == "," or self.is_hard_break


def plain(text: str) -> str:
    """Lower case with typographic apostrophes, dashes and widths made plain; the same length as `text`."""
    if text.isascii():
        return text.lower().replace("`", "'")
    folded = "".join(_plain_char(char) for char in text)
    assert len(folded) == len(text)
    return folded


def _plain_char(char: str) -> str:
    if char in "\u2019\u2018\u02bc\u00b4`":
        return "'"
    if char in "\u2010\u2011\u2012\u2013\u2014\u2212":
        return "-"
    lowered = unicodedata.normalize("NFKC", char).lower()
    return lowered if len(lowered) == 1 else char.lower() if len(char.lower()) == 1 else char


def tokens(text: str) -> list[Token]:
    """Splits a text into words and breaks, contractions opened. Heads are the words themselves."""
    found: list[Token] = []
    for match in _TOKEN.finditer(plain(text)):
        word, start, end = match.group(), match.start(), match.end()
        if word in ":/" or (word in ".," and text[end:end + 1].isdigit() and not text[start - 1:start].isalnum()):
            continue  # ".008" begins with a decimal point, not with the end of a sentence
        if word[:2] == ".." or word == "…":
            word = ","  # "starts... then dies": a pause, not the end of a sentence
        for part in opened(word):
            found.append(Token(part, part, start, end))
    return found


def opened(word: str) -> tuple[str, ...]:
    """A word with its contraction opened: "won't" → will, not; "engine's" → engine, is."""
    if word in _OPENED:
        return _OPENED[word]
    if word in _BARE:
        return _BARE[word]
    if word.endswith("n't"):
        return (word[:-3], "not") if len(word) > 3 else ("not",)
    for suffix, full in _SUFFIXES.items():
        if word.endswith(suffix) and len(word) > len(suffix):
            return (*opened(word[: -len(suffix)]), full)
    return (word.replace("'", ""),)


def inflections(word: str) -> Iterable[str]:
    """The regular forms of an English word, wrong guesses included: they meet nothing in a text."""
    yield word
    if len(word) < 3 or not word.isalpha():
        return
    stem_y = word[:-1] if word[-1] == "y" and word[-2] not in "aeiou" else None
    yield word + ("es" if word.endswith(("s", "x", "z", "ch", "sh")) else "s")
    if stem_y:
        yield stem_y + "ies"
        yield stem_y + "ied"
    if word.endswith("e"):
        yield word + "d"
        yield word + "ing" if word.endswith(("ee", "oe", "ye")) else word[:-1] + "ing"
        if word.endswith("ie"):
            yield word[:-2] + "ying"
    else:
        yield word + "ed"
        yield word + "ing"
        if word[-1] in "bdgklmnprt" and word[-2] in "aeiou" and (
                len(word) == 3 or word[-3] not in "aeiou" or word[-1] == "l" or word[-4:-2] == "qu"):
            yield word + word[-1] + "ed"
            yield word + word[-1] + "ing"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Folding:
    """Which word is read as which headword. `runs` maps a first word to longer variants, longest first."""

    heads: dict[str, str]
    runs: dict[str, list[tuple[tuple[str, ...], str]]] = field(default_factory=dict)

    @classmethod
    def build(cls, families: Mapping[str, Iterable[str]], more_words: Iterable[str]) -> Folding:
        """Parameters: `families`, headword to its variants (both may be several words); `more_words`, further
        words whose inflections should be recognised."""
        heads: dict[str, str] = {}
        runs: dict[str, list[tuple[tuple[str, ...], str]]] = {}
        given = {head: (*_FORMS_OF_AUXILIARIES.get(head, ()), *families.get(head, ()))
                 for head in {**_FORMS_OF_AUXILIARIES, **families}}
        named = [(head, words_of(variant)) for head, variants in given.items() for variant in (head, *variants)]
        single = [(head, words[0]) for head, words in named if len(words) == 1]
        for head, word in single:
            heads.setdefault(word, head)
        for head, word in single:
            for form in inflections(word):
                heads.setdefault(form, head)
        within_phrases = {word for _head, words in named if len(words) > 1 for word in words}
        for word in sorted(within_phrases.union(more_words)):
            if word not in heads:
                for form in inflections(word):
                    heads.setdefault(form, word)
        folding = cls(heads, runs)
        for head, words in named:
            if len(words) > 1:
                for run in {tuple(words), tuple(folding.head(word) for word in words)}:
                    runs.setdefault(run[0], []).append((run, head))
        for options in runs.values():
            options.sort(key=lambda option: (-len(option[0]), option))
        return folding

    def head(self, word: str) -> str:
        return self.heads.get(word, word)

    def fold(self, found: list[Token]) -> list[Token]:
        """Each token with the headword of its family; nothing is joined. What somebody "saw" is no machine."""
        return [Token(token.text, _SEEN if token.text == "saw" and before is not None and before.text in _WHO else self.head(token.text), token.start, token.end)
                for before, token in zip((None, *found), found, strict=False)]

    def join(self, folded: list[Token]) -> list[Token]:
        """Several words that are one term of the trade ("cold start lever") joined to one token."""
        joined: list[Token] = []
        position = 0
        while position < len(folded):
            run = self._run_at(folded, position)
            if run is None:
                joined.append(folded[position])
                position += 1
                continue
            length, head = run
            part = folded[position: position + length]
            joined.append(Token(" ".join(token.text for token in part), head, part[0].start, part[-1].end))
            position += length
        return joined

    def _run_at(self, folded: list[Token], position: int) -> tuple[int, str] | None:
        first = folded[position]
        options = self.runs.get(first.text, ())
        if first.head != first.text and first.head in self.runs:
            options = sorted([*options, *self.runs[first.head]], key=lambda option: -len(option[0]))
        for words, head in options:
            part = folded[position: position + len(words)]
            if len(part) == len(words) and all(word in (token.text, token.head)
                                               for word, token in zip(words, part, strict=True)):
                return len(words), head
        return None


def words_of(phrase: str) -> list[str]:
    """The words of a short phrase, contractions opened, breaks left out."""
    return [token.text for token in tokens(phrase) if not token.is_break]
