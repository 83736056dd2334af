"""A new case folder: the directory and its settings."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path

from casebase.problems import Refused, errors, refuse
from casebase.record.folder import write_new_text
from casebase.record.settings import FILE_NAME, Settings, read_settings, settings_text


def start_folder(folder: Path, currency: str, hourly_rate: float, units: str, hemisphere: str) -> Path:
    """Makes `folder` with a `casebase.toml`. Raises `Refused` where one stands already or a value is wrong."""
    path = folder / FILE_NAME
    if path.exists():
        raise refuse("exists", f"{folder} is a case folder already", "choose another name", field="DIR")
    text = settings_text(Settings(currency, Decimal(str(hourly_rate)), units, hemisphere))  # type: ignore[arg-type]
    try:
        tomllib.loads(text)
        folder.mkdir(parents=True, exist_ok=True)
    except tomllib.TOMLDecodeError:
        raise refuse("settings", f'"{currency}" cannot be a currency', "for example EUR", field="--currency") from None
    except OSError as error:
        raise refuse("no-folder", f"{folder} cannot be made ({error.strerror})", "choose another place",
                     field="DIR") from error
    write_new_text(path, text)
    _settings, problems = read_settings(folder)
    if errors(problems):
        path.unlink()
        raise Refused(*problems)
    return folder
