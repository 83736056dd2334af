"""What the trade knows: vocabulary, readings, handbook. The facts are in `data/`, the code reads them."""

from pathlib import Path

DATA = Path(__file__).parent / "data"
