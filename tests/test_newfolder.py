"""A new case folder: made whole or not at all."""

from __future__ import annotations

import os
from decimal import Decimal
from pathlib import Path

import pytest

from casebase.problems import Refused
from casebase.record.folder import scan
from casebase.record.newfolder import start_folder
from casebase.record.settings import FILE_NAME, Settings, read_settings


def test_a_new_folder_holds_its_settings_and_nothing_else(tmp_path: Path) -> None:
    folder = start_folder(tmp_path / "deep" / "jobs", "CHF", 42.5, "inch", "south")
    assert folder == tmp_path / "deep" / "jobs"
    assert os.listdir(folder) == [FILE_NAME]
    assert read_settings(folder) == (Settings("CHF", Decimal("42.5"), "inch", "south"), [])
    assert scan(folder).entries == ()


def test_cases_that_are_there_already_stay(tmp_path: Path) -> None:
    (tmp_path / "26-001-a.md").write_text("x")
    start_folder(tmp_path, "EUR", 40, "metric", "north")
    assert sorted(os.listdir(tmp_path)) == ["26-001-a.md", FILE_NAME]


@pytest.mark.parametrize("make", [lambda path: path.write_text("mine"), lambda path: path.symlink_to("gone")])
def test_settings_that_are_there_already_are_never_replaced(tmp_path: Path, make: object) -> None:
    make(tmp_path / FILE_NAME)  # type: ignore[operator]
    with pytest.raises(Refused) as refused:
        start_folder(tmp_path, "EUR", 40, "metric", "north")
    (problem,) = refused.value.problems
    assert (problem.code, problem.field, problem.hint) == ("exists", "DIR", "choose another name")
    assert not (tmp_path / FILE_NAME).exists() or (tmp_path / FILE_NAME).read_text() == "mine"
    assert os.listdir(tmp_path) == [FILE_NAME]


@pytest.mark.parametrize(
    ("currency", "rate", "units", "hemisphere", "field"),
    [
        ("two words", 40.0, "metric", "north", "currency"),
        ('EUR"\nunits = "inch', 40.0, "metric", "north", "currency"),
        ("EUR", -1.0, "metric", "north", "hourly_rate"),
        ("EUR", float("nan"), "metric", "north", "hourly_rate"),
        ("EUR", float("inf"), "metric", "north", "hourly_rate"),
        ("EUR", 40.0, "miles", "north", "units"),
        ("EUR", 40.0, "metric", "east", "hemisphere"),
    ],
)
def test_a_wrong_value_is_refused_before_anything_is_made(
    tmp_path: Path, currency: str, rate: float, units: str, hemisphere: str, field: str
) -> None:
    with pytest.raises(Refused) as refused:
        start_folder(tmp_path / "jobs", currency, rate, units, hemisphere)
    (problem,) = refused.value.problems
    assert (problem.code, problem.field) == ("settings", field)
    assert problem.hint
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("rate", [0.0, 1e20, 0.1, 1e-7])
def test_any_rate_that_is_accepted_can_be_read_back(tmp_path: Path, rate: float) -> None:
    settings, problems = read_settings(start_folder(tmp_path / "jobs", "€", rate, "metric", "north"))
    assert problems == []
    assert settings.hourly_rate == Decimal(str(rate))


def test_a_folder_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for place in (tmp_path / "file", tmp_path / "file" / "jobs"):
        with pytest.raises(Refused) as refused:
            start_folder(place, "EUR", 40, "metric", "north")
        (problem,) = refused.value.problems
        assert (problem.code, problem.field, problem.hint) == ("no-folder", "DIR", "choose another place")
