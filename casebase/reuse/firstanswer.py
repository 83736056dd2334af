"""The first answer to a complaint: what was understood, similar cases, what cured them, cautions.

Where the shop's own record says little, rows of the handbook stand beside it, each with its source and
marked as general tables.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from casebase.retrieve.index import Index
from casebase.retrieve.likely import question as read_question
from casebase.retrieve.rank import Match, Ranking, rank
from casebase.retrieve.understand import Understood, without
from casebase.reuse.evidence import FixEvidence, SymptomEvidence, gather, kernel
from casebase.reuse.prospect import Prospect, prospect
from casebase.trade.handbook import Row, rows_for
from casebase.trade.terms import Term

# With this many similar cases behind an answer the handbook steps back.
ENOUGH_CASES = 8
# Rows of the handbook shown alone and beside the shop's own cases.
HANDBOOK_ALONE, HANDBOOK_BESIDE = 10, 5
PROPOSED_FIXES = 5


class FirstAnswer(NamedTuple):
    """Everything `find` tells.

    `similar` counts the cases similar enough to carry weight; `handbook` are the rows worth showing beside them,
    `handbook_more` how many more there are. `cautions` cover every fix and row shown.
    """

    question: Understood
    ranking: Ranking
    similar: int
    evidence: tuple[SymptomEvidence, ...]
    handbook: tuple[Row, ...]
    handbook_more: int
    cautions: tuple[Term, ...]
    cases: int
    prospect: Prospect

    @property
    def is_empty(self) -> bool:
        """Nothing like it is known: neither a case nor a row of the handbook."""
        return not self.ranking.shown and not self.handbook


def first_answer(text: str | Understood, index: Index, *, limit: int = 6, diverse: bool = True,
                 wrong: Iterable[str] = ()) -> FirstAnswer:
    """Answers a complaint in plain words, or one that was read already.

    `wrong` names what was read in it by mistake (see `without`). Raises `Refused` for a text without words.
    """
    question = without(read_question(text, index.lexicon) if isinstance(text, str) else text, wrong)
    ranking = rank(question, index, limit=limit, diverse=diverse)
    similar = [match for match in ranking.matches if kernel(match.score) > 0]
    symptoms = (*question.symptoms, *question.labels("symptom", "possible"))
    evidence = gather(similar, symptoms, index, [tried.action for tried in question.tried])
    rows = rows_for(symptoms, engine=question.machine.engine)
    room = HANDBOOK_ALONE if not similar else HANDBOOK_BESIDE if len(similar) < ENOUGH_CASES else 0
    handbook = rows[:room]
    return FirstAnswer(question, ranking, len(similar), evidence, handbook, len(rows) - len(handbook),
                       cautions(question, evidence, index, handbook), index.size,
                       prospect(ranking, index))


def proposed(part: SymptomEvidence) -> tuple[FixEvidence, ...]:
    """The fixes worth showing: those that ever helped, best supported first, at most PROPOSED_FIXES.

    What did nothing is shown by `without_effect`, because knowing it saves time too.
    """
    return tuple(fix for fix in part.fixes if fix.count("cured") or fix.count("better"))[:PROPOSED_FIXES]


def without_effect(part: SymptomEvidence) -> tuple[FixEvidence, ...]:
    """Fixes that were tried on this symptom in similar cases and never helped."""
    return tuple(fix for fix in part.fixes if fix.tried and not fix.count("cured") and not fix.count("better"))


def cautions(question: Understood, evidence: Iterable[SymptomEvidence], index: Index,
             handbook: Iterable[Row] = ()) -> tuple[Term, ...]:
    """The hazards of the symptoms asked about and of every fix proposed, each once."""
    # Questions, digests and the handbook hold labels, so terms are met by label; looking a name up among all other
    # names would decode the whole vocabulary.
    known = index.lexicon.vocabulary.terms
    terms = [known["symptom"].get(label) for label in question.labels("symptom", "present", "possible")]
    for part in evidence:
        for fix in proposed(part):
            terms += [known["action"].get(action) or known["setting"].get(action.removeprefix("set "))
                      for action in fix.actions]
    terms += [known["action"].get(row.action) for row in handbook if row.action]
    return index.lexicon.vocabulary.cautions(terms)


def best_matches(answer: FirstAnswer) -> tuple[Match, ...]:
    """The shown cases that are similar enough to carry weight; the others only share some words."""
    return tuple(match for match in answer.ranking.shown if kernel(match.score) > 0)
