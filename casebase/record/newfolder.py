"""A new case folder: the directory and its settings."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

from casebase.problems import Refused, refuse
from casebase.record.folder import write_new_text
from casebase.record.settings import FILE_NAME, Settings, settings_problems, settings_text


def start_folder(folder: Path, currency: str, hourly_rate: float, units: str, hemisphere: str) -> Path:
    """Makes `folder` with a `casebase.toml`. Raises `Refused` where one stands already or a value is wrong."""
    settings = Settings(currency, Decimal(str(hourly_rate)), units, hemisphere)  # type: ignore[arg-type]
    problems = settings_problems(settings)
    if problems:
        raise Refused(*problems)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise refuse("no-folder", f"{folder} cannot be made ({error.strerror})", "choose another place",
                     field="DIR") from error
    if not write_new_text(folder / FILE_NAME, settings_text(settings)):
        raise refuse("exists", f"{folder} is a case folder already", "choose another name", field="DIR")
    return folder
