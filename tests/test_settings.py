"""What a shop reckons in: read from its folder, defaults where it says nothing, mistakes with their place."""

from __future__ import annotations

import os
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from helpers import within
from hypothesis import given
from hypothesis import strategies as st

from casebase.problems import Place, Problem
from casebase.record.settings import (
    FILE_NAME,
    Settings,
    read_settings,
    settings_problems,
    settings_text,
)


def written(folder: Path, content: str | bytes) -> Path:
    data = content.encode() if isinstance(content, str) else content
    (folder / FILE_NAME).write_bytes(data)
    return folder


def only_problem(folder: Path) -> Problem:
    settings, (problem,) = read_settings(folder)
    assert settings == Settings()
    assert (problem.file, problem.severity) == (str(folder / FILE_NAME), "error")
    return problem


def test_a_folder_without_settings_has_the_defaults(tmp_path: Path) -> None:
    assert read_settings(tmp_path) == (Settings("EUR", Decimal(40), "metric", "north"), [])


@pytest.mark.parametrize("start", ["", "\ufeff", "# remark\r\n"])
def test_every_setting_is_read(tmp_path: Path, start: str) -> None:
    content = f'{start}currency = "CHF"\nhourly_rate = 42.10\nunits = "inch"\nhemisphere = "south"\n'
    assert read_settings(written(tmp_path, content)) == (Settings("CHF", Decimal("42.10"), "inch", "south"), [])


@pytest.mark.parametrize(
    ("rate", "value"), [("0", "0"), ("42", "42"), ("0.10", "0.10"), ("1e2", "100"), ("1_000", "1000")]
)
def test_the_rate_is_the_number_that_was_typed(tmp_path: Path, rate: str, value: str) -> None:
    settings, problems = read_settings(written(tmp_path, f"hourly_rate = {rate}"))
    assert problems == []
    assert settings.hourly_rate == Decimal(value)
    assert isinstance(settings.hourly_rate, Decimal)


@pytest.mark.parametrize("currency", ["EUR", "€", "kr", "$", "Fr", "CA$"[:2]])
def test_a_currency_is_a_code_or_a_sign(tmp_path: Path, currency: str) -> None:
    assert read_settings(written(tmp_path, f'currency = "{currency}"')) == (Settings(currency=currency), [])


@pytest.mark.parametrize(
    ("line", "column", "field", "hint"),
    [
        ("unit = 'inch'", 1, "unit", 'did you mean "units"?'),
        ("zzz = 1", 1, "zzz", "allowed: currency, hourly_rate, units, hemisphere"),
        ("  units = 'miles'", 3, "units", "allowed: metric, inch"),
        ("units = ['metric']", 1, "units", "allowed: metric, inch"),
        ("hemisphere = 'east'", 1, "hemisphere", "allowed: north, south"),
        ("hourly_rate = -1", 1, "hourly_rate", "for example hourly_rate = 42.00"),
        ("hourly_rate = '40'", 1, "hourly_rate", "for example"),
        ("hourly_rate = true", 1, "hourly_rate", "for example"),
        ("hourly_rate = nan", 1, "hourly_rate", "for example"),
        ("hourly_rate = inf", 1, "hourly_rate", "for example"),
        ("hourly_rate = 2026-04-18", 1, "hourly_rate", "for example"),
        ("currency = ''", 1, "currency", 'for example currency = "EUR"'),
        ("currency = 'EUR EUR'", 1, "currency", "for example"),
        ("currency = 5", 1, "currency", "for example"),
        ('currency = "\\u001b"', 1, "currency", "for example"),
        ("'units' = 'miles'", 2, "units", "allowed: metric, inch"),
        ("[units]", 2, "units", "allowed: metric, inch"),
        ("[[shop]]", 3, "shop", "allowed: currency"),
        ("[shop.rates]", 2, "shop", "allowed: currency"),
        ("shop.name = 1", 1, "shop", "allowed: currency"),
    ],
)
def test_a_wrong_setting_is_named_where_it_stands_and_the_default_holds(
    tmp_path: Path, line: str, column: int, field: str, hint: str
) -> None:
    problem = only_problem(written(tmp_path, f"# é units = 1\n\n{line}\n"))
    assert (problem.code, problem.place, problem.field) == ("settings", Place(3, column), field)
    assert hint in problem.hint


def test_a_setting_is_not_mistaken_for_one_that_begins_alike(tmp_path: Path) -> None:
    settings, problems = read_settings(written(tmp_path, "units = 'inch'\nunit = 'inch'\nhemisphere = 'south'\n"))
    assert settings == Settings(units="inch", hemisphere="south")
    assert [(problem.field, problem.place) for problem in problems] == [("unit", Place(2, 1))]


def test_a_key_written_in_another_way_is_named_without_a_place(tmp_path: Path) -> None:
    assert only_problem(written(tmp_path, '"un\\u0069t" = 1')).place == Place()


@pytest.mark.parametrize(
    ("content", "place"),
    [
        ("currency = EUR", Place(1, 12)),
        ("units = 'inch'\nunits = 'inch'", Place(2, 15)),
        ('units = """\né', Place(2, 2)),
        ("units = 'inch'\n<<<<<<< HEAD", Place(2, 1)),
        ("units = 'inch", Place(1, 14)),
        ("hourly_rate = " + "9" * 5000, Place()),
        ("a = " + "[" * 5000, Place()),
    ],
)
def test_what_is_no_toml_is_named_and_the_defaults_hold(tmp_path: Path, content: str | bytes, place: Place) -> None:
    problem = only_problem(written(tmp_path, content))
    assert problem.code == "settings"
    assert problem.message.startswith("is not valid TOML (")
    assert (problem.hint, problem.place) == ("write it as name = value", place)


@pytest.mark.parametrize(
    ("content", "code", "place"),
    [
        (b"\xef\xbb\xbfunits = 'inch'\ncurrency = '\xff'", "encoding", Place(2, 13)),
        (b"a\0", "encoding", Place(1, 2)),
        ("units = 'inch'".encode("utf-16"), "encoding", Place()),
        (b"#" * 3_000_000, "too-large", Place()),
    ],
)
def test_what_is_no_text_is_named_and_the_defaults_hold(
    tmp_path: Path, content: bytes, code: str, place: Place
) -> None:
    problem = only_problem(written(tmp_path, content))
    assert (problem.code, problem.place) == (code, place)
    assert problem.hint


@pytest.mark.parametrize("make", [os.mkfifo, os.mkdir, lambda path: path.symlink_to("/etc/hostname")])
def test_what_is_no_plain_file_is_named_and_never_waited_for(tmp_path: Path, make: object) -> None:
    make(tmp_path / FILE_NAME)  # type: ignore[operator]
    with within(5):
        assert only_problem(tmp_path).code == "unreadable"


@pytest.mark.parametrize(
    ("change", "fields"),
    [
        ({}, []),
        ({"currency": "two words"}, ["currency"]),
        ({"hourly_rate": Decimal("NaN"), "units": "miles", "hemisphere": ""}, ["hourly_rate", "units", "hemisphere"]),
    ],
)
def test_values_can_be_checked_before_they_are_written(change: dict[str, object], fields: list[str]) -> None:
    problems = settings_problems(replace(Settings(), **change))  # type: ignore[arg-type]
    assert [problem.field for problem in problems] == fields
    assert all(problem.hint for problem in problems)


signs = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=3)


@given(
    st.builds(
        Settings,
        signs | st.sampled_from(["EUR", '"', "\\", "'", '"""', "\\n"]),
        st.decimals(0, 10**9, places=2),
        st.sampled_from(["metric", "inch"]),
        st.sampled_from(["north", "south"]),
    )
)
def test_settings_written_and_read_are_the_same(tmp_path: Path, settings: Settings) -> None:
    if not settings_problems(settings):
        assert read_settings(written(tmp_path, settings_text(settings))) == (settings, [])
