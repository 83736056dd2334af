"""How retrieval grows with the number of cases: quality on random parts of a labelled file, from 30 cases on.

    python3 tools/learning_curve.py FILE.csv              a file in the Open Repair Data Standard with fault_type
    python3 tools/learning_curve.py FILE.csv --shuffled   with causes dealt out anew, so that nothing can be learned

For each size: mean nDCG@10 by words alone, with terms and machine, and with the learned part too; and the worst
difference of the last to words alone over the parts drawn.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
from pathlib import Path

from run import ROOT, prepare

# Number of cases with a cause, and how many random parts of that size are drawn.
SIZES = {30: 12, 50: 8, 100: 5, 300: 3, 1000: 1, 3000: 1}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--shuffled", action="store_true")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if not options.inside:
        done = subprocess.run([str(prepare()), __file__, "--inside", *sys.argv[1:]])
        sys.exit(done.returncode)
    sys.path.insert(0, str(ROOT))
    curve(options.file, options.shuffled)


def curve(file: Path, shuffled: bool) -> None:
    """Prints a line for each size that the file has enough cases for."""
    from casebase.exchange.openrepair import labelled_records
    from casebase.retrieve.digest import digest
    from casebase.retrieve.lexicon import Lexicon
    from casebase.trade.terms import package_vocabulary

    records = labelled_records(file, english_only=True)
    lexicon = Lexicon.build(package_vocabulary())
    texts = {case.id: case.complaint for case in records.cases}
    digests = [digest(case, lexicon) for case in records.cases]
    known = [item for item in digests if item.causes]
    rest = [item for item in digests if not item.causes]
    if shuffled:
        causes = [item.causes for item in known]
        random.Random(9).shuffle(causes)
        known = [item._replace(causes=cause) for item, cause in zip(known, causes, strict=True)]
    print(f"{file.name}: {len(known)} cases with a cause, {len(rest)} without")
    for size, parts in SIZES.items():
        if size > len(known):
            print(f"{size:>6}  the file has fewer")
            continue
        rows = []
        for seed in range(parts):
            chance = random.Random(seed)
            some = chance.sample(known, size) + chance.sample(rest, len(rest) * size // len(known))
            rows.append(measured(some, texts, lexicon))
        means = [sum(column) / parts for column in zip(*rows, strict=True)]
        worst = min(row[2] - row[0] for row in rows)
        print(f"{size:>6}  words {means[0]:.3f}  with terms {means[1]:.3f}  learned {means[2]:.3f}  "
              f"worst {worst:+.3f} of {parts}", flush=True)


def measured(digests, texts, lexicon) -> tuple[float, float, float]:  # type: ignore[no-untyped-def]
    """Mean nDCG@10 by words alone, with terms and machine, and with the learned part, all on the same questions."""
    from casebase.retain.evaluate import TEXT_ALONE, earned_trust, questions
    from casebase.retrieve.index import in_memory

    index = in_memory(sorted(digests, key=lambda item: item.id), lexicon)
    earned = earned_trust(index)
    rows = [(asked.ndcg(TEXT_ALONE, 0.0), asked.ndcg(index.weights, 0.0), asked.ndcg(index.weights, earned))
            for asked in questions(index, texts) if index.row("causes", asked.position)]
    return tuple(sum(column) / len(rows) for column in zip(*rows, strict=True))  # type: ignore[return-value]


if __name__ == "__main__":
    main()
