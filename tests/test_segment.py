"""Arrays against a plain reading of the same digests."""

from __future__ import annotations

import random
from datetime import date

import numpy as np
import pytest
from small_folders import lexicon

from casebase.record.case import OUTCOMES, RESULTS, VERDICTS, Case, Machine
from casebase.retrieve.digest import CheckRow, Digest, EffectRow, digest
from casebase.retrieve.segment import Segment, Tables, build
from casebase.retrieve.text import hashed

WORDS = ["choke", "bulb", "leak", "idle", "smoke", "ëtre", "24:1"]
SYMPTOMS = ["runs only on choke", "no spark", "sings at night"]


def blank(name: str) -> Digest:
    return digest(Case(name, "A job", date(2026, 1, 5), Machine(), "x"), lexicon())


def random_digest(number: int, chance: random.Random) -> Digest:
    def some(values: list[str]) -> tuple[str, ...]:
        return tuple(chance.sample(values, chance.randrange(len(values))))

    effects = tuple(
        EffectRow(
            step,
            some(["a", "b", "c"]),
            chance.choice(["", *SYMPTOMS]),
            chance.choice(RESULTS),
            chance.choice([None, 12.5]),
            chance.choice([None, 0.0, 9.25]),
        )
        for step in range(chance.randrange(4))
    )
    return blank(f"26-{number:03d}-x")._replace(
        features={word: float(chance.randrange(1, 5)) for word in some(WORDS)},
        symptoms=some(SYMPTOMS),
        absent=some(SYMPTOMS),
        causes=some(["fuel line cracked", "own cause"]),
        kind=chance.choice(["", "chainsaw", "blower"]),
        displacement_cc=chance.choice([None, 45.0]),
        outcome=chance.choice(["", *OUTCOMES]),
        came_back=chance.random() < 0.5,
        effects=effects,
        checks=tuple(CheckRow("fuel line", chance.choice(["", *VERDICTS])) for _check in range(chance.randrange(3))),
    )


def built(digests: list[Digest], tables: Tables | None = None) -> tuple[Segment, Tables]:
    tables = tables or Tables()
    signatures = [(number, 2, 3, 4) for number in range(len(digests))]
    return build(digests, signatures, tables), tables


def test_numbers_are_given_once_and_kept():
    tables = Tables()
    assert [tables.number("symptom", name) for name in ("a", "b", "a", "")] == [0, 1, 0, -1]
    assert tables.number("bundle", ("x", "y")) == tables.number("bundle", ("x", "y")) == 0
    assert tables.number("bundle", ()) == -1
    assert tables.known("symptom", "b") == 1
    assert tables.known("symptom", "never") == -1
    again = Tables(tables.lists)
    assert again.number("bundle", ("x", "y")) == 0
    assert again.number("symptom", "c") == 2
    assert "c" not in tables.lists["symptom"]


@pytest.mark.parametrize("seed", range(5))
def test_arrays_say_what_the_digests_say(seed):
    chance = random.Random(seed)
    digests = [random_digest(number, chance) for number in range(chance.randrange(1, 20))]
    segment, tables = built(digests)
    lists = tables.lists

    def label(table: str, number: int) -> str:
        return lists[table][number] if number >= 0 else ""

    assert segment.size == len(digests)
    assert segment.ids() == [item.id for item in digests]
    for place, item in enumerate(digests):
        assert segment.id(place) == item.id
        for name, table in (("symptoms", "symptom"), ("absent", "symptom"), ("causes", "cause")):
            assert tuple(label(table, number) for number in segment.row(name, place)) == getattr(item, name)
        assert label("kind", segment["kind"][place]) == item.kind
        assert np.nan_to_num(segment["displacement_cc"][place], nan=-1) == (item.displacement_cc or -1)
        assert segment["length"][place] == sum(item.features.values())
        number = int(segment["outcome"][place])
        assert (OUTCOMES[number] if number >= 0 else "") == item.outcome
        assert bool(segment["came_back"][place]) == item.came_back
        rows = range(segment["effects_at"][place], segment["effects_at"][place + 1])
        assert [effect_row(segment, row, lists) for row in rows] == list(item.effects)
        checks = range(segment["checks_at"][place], segment["checks_at"][place + 1])
        assert [(*VERDICTS, "")[int(segment["check_verdict"][row])] for row in checks] == [
            check.verdict for check in item.checks
        ]


def effect_row(segment: Segment, row: int, lists: dict[str, list[list[str]]]) -> EffectRow:
    bundle, symptom = int(segment["effect_bundle"][row]), int(segment["effect_symptom"][row])
    minutes, parts = (
        None if np.isnan(value) else float(value)
        for value in (segment["effect_minutes"][row], segment["effect_parts"][row])
    )
    return EffectRow(
        int(segment["effect_step"][row]),
        tuple(lists["bundle"][bundle]) if bundle >= 0 else (),
        str(lists["symptom"][symptom]) if symptom >= 0 else "",
        RESULTS[int(segment["effect_result"][row])],
        minutes,
        parts,
    )


@pytest.mark.parametrize("seed", range(5))
def test_postings_are_the_cases_that_have_a_word(seed):
    chance = random.Random(seed)
    digests = [random_digest(number, chance) for number in range(12)]
    segment, tables = built(digests)
    for word in [*WORDS, "never"]:
        found = segment.postings(hashed(word))
        cases = zip(segment["post_case"][found].tolist(), segment["post_tf"][found].tolist(), strict=True)
        assert list(cases) == [(n, item.features[word]) for n, item in enumerate(digests) if word in item.features]
    for symptom in SYMPTOMS:
        found = segment.symptom_postings(tables.known("symptom", symptom)).tolist()
        assert found == [n for n, item in enumerate(digests) if symptom in item.symptoms]


def test_no_cases_at_all():
    segment, _tables = built([])
    assert segment.size == 0
    assert segment.ids() == []
    assert segment.postings(hashed("choke")) == slice(0, 0)
    assert segment.symptom_postings(0).tolist() == []
    assert segment.symptom_postings(-1).tolist() == []


def test_a_second_segment_goes_on_counting():
    first, tables = built([blank("a")._replace(symptoms=("no spark",))])
    second, _ = built([blank("b")._replace(symptoms=("sings at night",))], tables)
    number = tables.known("symptom", "sings at night")
    assert number == 1
    assert second.symptom_postings(number).tolist() == [0]
    assert first.symptom_postings(number).tolist() == []
