"""Writes the list of English words that the spelling correction must leave alone.

    python3 tools/real_words.py /usr/share/dict/american-english-small /usr/share/dict/british-english-small

A misspelt word is read as the nearest word of the trade. A word that English has itself must not be: "place"
is no "plate". This tool reads plain word lists (one word a line), keeps the words near enough to a trade word
to be mistaken for it, and writes them to `casebase/trade/data/real_words.txt`. Run it again after the
vocabulary has grown, with the package installed. The list kept there was made from Debian's packages
wamerican-small and wbritish-small. The small lists are the right ones: the large ones hold words that no
owner writes, and each of them would keep a misspelling from being read.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

from casebase.retrieve.lexicon import Lexicon
from casebase.trade.terms import package_vocabulary

TARGET = Path(__file__).resolve().parent.parent / "casebase" / "trade" / "data" / "real_words.txt"
SHORTEST = 5  # shorter words are never corrected

# SCOWL's licence asks that its notices go with every copy.
HEADER = """\
# English words within the reach of the spelling correction that are not words of the trade: never
# "corrected". Made by tools/real_words.py from SCOWL (Spell Checker Oriented Word Lists), taken from the
# lists of Debian's packages wamerican-small and wbritish-small.
#
# SCOWL: Copyright 2000-2011 by Kevin Atkinson. Permission to use, copy, modify, distribute and sell these
# word lists, the associated scripts, the output created from the scripts, and its documentation for any
# purpose is hereby granted without fee, provided that the above copyright notice appears in all copies and
# that both that copyright notice and this permission notice appear in supporting documentation. Kevin
# Atkinson makes no representations about the suitability of this array for any purpose. It is provided "as
# is" without express or implied warranty.
"""


def plain_words(text: str) -> set[str]:
    """The lower-case words of a list. Names, abbreviations, possessives and accented words are left out."""
    return {word for word in text.split("\n") if word.isascii() and word.isalpha() and word.islower()}


def mistakable(words: Iterable[str], lexicon: Lexicon) -> list[str]:
    """Those of `words` that are not words of the trade and that the correction would change, sorted."""
    return sorted(word for word in words if len(word) >= SHORTEST and word not in lexicon.folding.heads
                  and lexicon._nearest(word) is not None)


def main(sources: list[str]) -> None:
    if not sources:
        sys.exit(__doc__)
    words = {word for source in sources for word in plain_words(Path(source).read_text(encoding="utf-8"))}
    found = mistakable(words, Lexicon.build(package_vocabulary()))
    TARGET.write_text(HEADER + "\n".join(found) + "\n", encoding="utf-8")
    print(f"{len(found)} of {len(words)} words written to {TARGET}")


if __name__ == "__main__":
    main(sys.argv[1:])
