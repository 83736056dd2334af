"""`python -m casebase`."""

from casebase.cli.main import run

run()
