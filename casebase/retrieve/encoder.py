"""Sentences of a note as vectors, each in the light of those around it: a small transformer encoder in numpy.

The weights lie in `trade/data/reader.bin`, whole numbers of eight bits with one scale a row; `tools/learn_encoder.py` learns them. The
encoder is the published one of Vaswani et al. 2017 (attention) and Devlin et al. 2019 (layers, word pieces).
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Vectors = npt.NDArray[np.float32]

WINDOW = 320  # pieces seen at once
BACK = 3  # sentences of the window before that are seen again
LONGEST = 200  # pieces of a sentence that are read
HEADS = 12
BLOCK = 256  # rows of a table at a time


class Pieces:
    """Words cut into the known pieces, the longest first; a word with an unknown letter is one unknown piece."""

    def __init__(self, pieces: Sequence[str]) -> None:
        self.numbers = {piece: number for number, piece in enumerate(pieces)}
        self.begin, self.end, self.unknown = (self.numbers[mark] for mark in ("[CLS]", "[SEP]", "[UNK]"))

    def of(self, text: str) -> list[int]:
        """The numbers of the pieces of a text."""
        return [number for word in _words(text) for number in self._cut(word)]

    def span(self, text: str, start: int, end: int) -> tuple[int, int]:
        """The places, among the pieces of a text, of the words between two characters: at least one piece."""
        first = len(self.of(text[:start]))
        return first, max(first + 1, len(self.of(text[:end])))

    def _cut(self, word: str) -> list[int]:
        found: list[int] = []
        start = 0
        while start < len(word):
            mark = "##" if start else ""
            end = next((end for end in range(len(word), start, -1) if mark + word[start:end] in self.numbers), None)
            if end is None:
                return [self.unknown]
            found.append(self.numbers[mark + word[start:end]])
            start = end
        return found


def _words(text: str) -> Iterator[str]:
    """Runs of letters and digits, and each sign by itself; lower case, without accents."""
    word = ""
    for letter in unicodedata.normalize("NFD", text.lower()):
        kind = unicodedata.category(letter)
        if kind == "Mn" or letter == "\0" or letter == "\ufffd" or (kind.startswith("C") and not letter.isspace()):
            continue
        sign = kind.startswith("P") or (letter.isascii() and not letter.isalnum() and not letter.isspace())
        if sign or letter.isspace():
            if word:
                yield word
            word = ""
            if sign:
                yield letter
        else:
            word += letter
    if word:
        yield word


class Rows:
    """A table of whole numbers of eight bits with one scale a row. Rows are made numbers when they are asked for, a few at a time: so they stay in
    the processor's cache, which is as fast as a table of numbers and needs no time to make one."""

    def __init__(self, whole: npt.NDArray[np.int8], scale: Vectors) -> None:
        self._whole, self._scale = whole, scale
        self.shape = whole.shape

    def __getitem__(self, rows: list[int] | slice) -> Vectors:
        return self._whole[rows] * self._scale[rows][:, None]

    def by(self, x: Vectors) -> Vectors:
        """Each row of `x`, (count, width), times each row of the table, (rows, width): an array of (count, rows)."""
        found, numbers = np.empty((len(x), len(self._whole)), np.float32), np.empty((BLOCK, x.shape[1]), np.float32)
        for start in range(0, len(self._whole), BLOCK):
            block = self._whole[start: start + BLOCK]
            np.copyto(numbers[: len(block)], block)
            found[:, start: start + BLOCK] = x @ numbers[: len(block)].T
        found *= self._scale
        return found


class Parted(NamedTuple):
    """The vectors of the sentences of a text, an array of (sentences, size), of all their parts in order, (parts, size), how many
    parts each sentence has, at least one, and of each sentence the vectors of its pieces, (pieces, size)."""

    whole: Vectors
    parts: Vectors
    counts: list[int]
    pieces: list[Vectors]


class Encoder:
    """`vectors` gives one vector of `size` numbers to each sentence of a text. The large tables of its `weights` are `Rows`."""

    def __init__(self, pieces: Sequence[str], weights: Mapping[str, Any]) -> None:
        self.pieces = Pieces(pieces)
        self.weights = weights
        self.size = weights["word"].shape[1]
        self.layers = sum(name.endswith(".qkv") for name in weights)

    def vectors(self, sentences: Sequence[str]) -> Vectors:
        """The vectors of the sentences of one text, in order: an array of (sentences, size)."""
        return self.parted([[sentence] for sentence in sentences]).whole

    def parted(self, sentences: Sequence[Sequence[str]]) -> Parted:
        """The vectors of the sentences of one text, each given by its parts. All are read alike; what lies behind the first `LONGEST` pieces of a
        sentence is not read."""
        cut = [[self.pieces.of(part) for part in parts] for parts in sentences]
        numbers = [[number for part in parts for number in part][:LONGEST] or [self.pieces.unknown] for parts in cut]
        found, of_parts, of_pieces = np.zeros((len(numbers), self.size), np.float32), list[list[Vectors]](), list[Vectors]()
        for first, last in windows([len(sentence) for sentence in numbers]):
            states = self._states([self.pieces.begin, *(number for sentence in numbers[first:last] for number in sentence), self.pieces.end])
            ends = np.cumsum([1, *(len(sentence) for sentence in numbers[first:last])])
            for sentence, (start, end) in enumerate(pairwise(ends), first):
                if sentence == len(of_parts):
                    found[sentence] = states[start:end].mean(axis=0)
                    of_pieces.append(states[start:end])
                    places = np.minimum(start + np.cumsum([0, *map(len, cut[sentence])]), end)
                    of_parts.append([states[one:other].mean(axis=0) for one, other in pairwise(places) if other > one] or [found[sentence]])
        every = [part for parts in of_parts for part in parts]
        return Parted(found, np.array(every, np.float32).reshape(-1, self.size), [len(parts) for parts in of_parts], of_pieces)

    def _states(self, numbers: Sequence[int]) -> Vectors:
        """The last state of each piece."""
        kept = self.weights
        x = normal(kept["word"][list(numbers)] + kept["place"][: len(numbers)], kept["first"])
        for layer in range(self.layers):
            x = self._layer(x, f"{layer}.")
        return x

    def _layer(self, x: Vectors, name: str) -> Vectors:
        kept, width = self.weights, self.size // HEADS
        mixed: Vectors = kept[name + "qkv"].by(x) + kept[name + "qkv bias"]
        query, key, value = mixed.reshape(len(x), 3, HEADS, width).transpose(1, 2, 0, 3)
        seen = softmax(query @ key.transpose(0, 2, 1) / np.float32(width ** 0.5))
        told: Vectors = (seen @ value).transpose(1, 0, 2).reshape(len(x), self.size)
        x = normal(x + kept[name + "out"].by(told) + kept[name + "out bias"], kept[name + "out norm"])
        wide = gelu(kept[name + "wide"].by(x) + kept[name + "wide bias"])
        return normal(x + kept[name + "narrow"].by(wide) + kept[name + "narrow bias"], kept[name + "narrow norm"])


def windows(sizes: Sequence[int]) -> Iterator[tuple[int, int]]:
    """The first and the last but one of the sentences seen together, for sentences of so many pieces."""
    first = last = 0
    while last < len(sizes):
        room = WINDOW - 2
        last = first
        while last < len(sizes) and (last == first or sizes[last] <= room):
            room -= sizes[last]
            last += 1
        yield first, last
        first = max(first + 1, last - BACK)


def normal(x: Vectors, weights: Vectors, tiny: float = 1e-12) -> Vectors:
    """Each row with mean 0 and variance 1, then scaled and shifted (Ba et al. 2016)."""
    middle = x - x.mean(axis=-1, keepdims=True)
    found: Vectors = middle / np.sqrt((middle * middle).mean(axis=-1, keepdims=True) + tiny) * weights[0] + weights[1]
    return found


def softmax(scores: Vectors) -> Vectors:
    """Chances along the last axis."""
    found: Vectors = np.exp(scores - scores.max(axis=-1, keepdims=True))
    found /= found.sum(axis=-1, keepdims=True)
    return found


def gelu(x: Vectors) -> Vectors:
    """The Gaussian error linear unit by its published approximation (Hendrycks & Gimpel 2016)."""
    found: Vectors = np.float32(0.5) * x * (1 + np.tanh(np.float32(0.7978845608) * (x + np.float32(0.044715) * x * x * x)))
    return found
