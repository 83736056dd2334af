"""The settings of a case folder: `casebase.toml` beside the cases."""

from __future__ import annotations

import os
import re
import tomllib
from dataclasses import dataclass, fields
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal

from casebase.problems import Place, Problem, did_you_mean
from casebase.record.casefile import decode
from casebase.record.folder import read_bytes
from casebase.record.schema import Findings

FILE_NAME = "casebase.toml"


@dataclass(frozen=True, slots=True)
class Settings:
    """What a shop reckons in. `hourly_rate` is money per hour of work."""

    currency: str = "EUR"
    hourly_rate: Decimal = Decimal(40)
    units: Literal["metric", "inch"] = "metric"
    hemisphere: Literal["north", "south"] = "north"


_CHOICES = {"units": ("metric", "inch"), "hemisphere": ("north", "south")}
_PLACE = re.compile(r"\(at line (\d+), column (\d+)\)")


def read_settings(folder: Path) -> tuple[Settings, list[Problem]]:
    """The settings of `folder`, defaults where a value is missing or wrong, and what is wrong."""
    path = folder / FILE_NAME
    if not os.path.lexists(path):
        return Settings(), []
    data = read_bytes(path)
    if isinstance(data, Problem):
        return Settings(), [data]
    findings = Findings(str(path))
    text = decode(data, findings)
    if text is None:
        return Settings(), findings.problems
    try:
        table = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError) as error:  # not TOML, or endless digits or brackets
        at = _PLACE.search(str(error))
        place = Place(int(at[1]), int(at[2])) if at else Place()
        if "at end of document" in str(error):
            place = Place(text.count("\n") + 1, len(text) - text.rfind("\n"))
        return Settings(), [Problem("settings", f"is not valid TOML ({error})", "write it as name = value",
                                    file=str(path), place=place)]
    problems: list[Problem] = []
    values: dict[str, Any] = {}
    for key, value in table.items():
        message, hint = _wrong(key, value)
        if message:
            problems.append(Problem("settings", message, hint, file=str(path), place=_line(text, key), field=key))
        else:
            values[key] = Decimal(value) if key == "hourly_rate" else value
    return Settings(**values), problems


def settings_problems(settings: Settings) -> list[Problem]:
    """What is wrong with values that are to become settings."""
    checked = ((field.name, *_wrong(field.name, getattr(settings, field.name))) for field in fields(Settings))
    return [Problem("settings", message, hint, field=name) for name, message, hint in checked if message]


def _line(text: str, key: str) -> Place:
    """Where `key` is set, or opens a table."""
    found = re.search(rf"""^[ \t\["']*(?={re.escape(key)}["' \t]*[=.\]])""", text, re.MULTILINE)
    return Place(text.count("\n", 0, found.end()) + 1, found.end() - found.start() + 1) if found else Place()


def _wrong(key: str, value: object) -> tuple[str, str]:
    known = [field.name for field in fields(Settings)]
    if key not in known:
        return f'"{key}" is not a setting', did_you_mean(key, known)
    if key in _CHOICES and value not in _CHOICES[key]:
        return f'"{value}" is not allowed', "allowed: " + ", ".join(_CHOICES[key])
    if key == "hourly_rate" and not _is_amount(value):
        return "must be a number of at least 0", "for example hourly_rate = 42.00"
    if key == "currency" and not (isinstance(value, str) and value.isprintable()
                                  and re.fullmatch(r"\w{1,8}|[^\w\s]{1,3}", value)):
        return "must be a currency code or sign", 'for example currency = "EUR"'
    return "", ""


def _is_amount(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        return False
    return Decimal(value).is_finite() and value >= 0


def settings_text(settings: Settings) -> str:
    """The text of a `casebase.toml`."""
    currency = settings.currency.replace("\\", "\\\\").replace('"', '\\"')
    return (f'# What this shop reckons in.\ncurrency = "{currency}"\nhourly_rate = {settings.hourly_rate}'
            f'\nunits = "{settings.units}"          # metric | inch\nhemisphere = "{settings.hemisphere}"'
            "      # north | south: which months are winter\n")
