"""A calibration in progress, kept in a small JSON file beside the configuration, so that a restart loses nothing."""

from __future__ import annotations

import json
import os
from pathlib import Path

from calibration.session import Session, from_json, to_json
from gylewatch.errors import CalibrationError, InputError
from gylewatch.values import FloatId


def session_path(config: Path, float_id: FloatId) -> Path:
    """Where the session of a float is kept."""
    return config.resolve().parent / f"calibration-{float_id}.json"


def load_session(path: Path) -> Session | None:
    """The session in a file; None: there is none.

    Raises
    ------
    InputError
        The file cannot be read or is damaged.
    """
    try:
        return from_json(json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({(error.strerror or str(error)).lower()})") from None
    except (ValueError, CalibrationError) as error:
        raise InputError(str(path), f"is damaged ({error}); delete it and begin the calibration anew") from None


def save_session(path: Path, session: Session) -> None:
    """Write a session so that a power cut leaves the old one or the new one, never half of it.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    beside = path.with_name(path.name + ".new")
    try:
        with beside.open("w", encoding="utf-8") as file:
            json.dump(to_json(session), file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise InputError(str(path), f"cannot be written ({(error.strerror or str(error)).lower()})") from None


def forget_session(path: Path) -> None:
    """Delete the session's file, if there is one."""
    path.unlink(missing_ok=True)
