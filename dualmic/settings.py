"""``dualmic.toml``: what stays the same from take to take.

A file in the working folder, or given with ``--settings``:

    mains_hz = 50                 # 50 or 60: the buzz to look for first; measured all the same
    deliveries = ["podcast"]      # names of delivery specs, or files
    timecode_rate = "29.97"       # for recorders that write a time of day but no frame rate

    [people]                      # names to print
    interviewer = "Ada"
    subject = "The lock keeper"

    [tracks]                      # names that tracks bear in the camera or recorder
    interviewer = ["Lav A"]
    subject = ["Lav B"]

    [[roles]]                     # the first pattern that fits the file's name counts
    files = "CAM-B*"
    interviewer = 2
    subject = 1

    [marks]                       # printed on sheets and marks
    project = "Locks"
    roll = "A003"
    notes = "windy"
"""

import difflib
import fnmatch
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

import msgspec

from dualmic.errors import SettingsError
from dualmic.timecode import parse_rate

FILE_NAME = "dualmic.toml"


Channel = Annotated[int, msgspec.Meta(ge=1)]


class People(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Names to print for the two people."""

    interviewer: str | None = None
    subject: str | None = None


class TrackNames(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Track names that mean one of the two microphones; case does not matter."""

    interviewer: list[str] = []
    subject: list[str] = []


class RoleRule(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Channels of the two people in files whose name fits a pattern such as ``CAM-B*``."""

    files: str
    interviewer: Channel
    subject: Channel

    def matches(self, file_name: str) -> bool:
        """Say whether the pattern fits; case does not matter."""
        return fnmatch.fnmatchcase(file_name.casefold(), self.files.casefold())


class Marks(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is printed on sheets and written into marks."""

    project: str | None = None
    roll: str | None = None
    notes: str | None = None

    def labels(self) -> dict[str, str]:
        """Return what is given, by the name it is printed under."""
        named = {"Project": self.project, "Roll": self.roll, "Notes": self.notes}
        return {name: text for name, text in named.items() if text}


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything ``dualmic.toml`` may say; each part may be left out."""

    mains_hz: Literal[50, 60] | None = None
    deliveries: list[str] = []
    timecode_rate: str = "25"
    people: People = People()
    tracks: TrackNames = TrackNames()
    roles: list[RoleRule] = []
    marks: Marks = Marks()


def find_settings(folder: Path) -> Path | None:
    """Return the settings file in a folder, or ``None``."""
    path = folder / FILE_NAME
    return path if path.is_file() else None


def load_settings(path: Path) -> Settings:
    """Read a settings file.

    Raises:
        SettingsError: it cannot be read, is no TOML, or has a wrong key or value; the message
            names the key and, where one is near, the right one.

    """
    try:
        tree = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise SettingsError(f"Cannot read {path}: {error.strerror}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} is not valid TOML: {error}.") from error
    _check_keys(path, tree, Settings, "")
    try:
        settings = msgspec.convert(tree, Settings)
    except msgspec.ValidationError as error:
        raise SettingsError(f"{path}: {error}.") from error
    try:
        parse_rate(settings.timecode_rate)
    except (ValueError, ZeroDivisionError) as error:
        raise SettingsError(
            f"{path}: timecode_rate is {settings.timecode_rate!r}, which is no frame rate; "
            'write it as "25" or "29.97".'
        ) from error
    return settings


def _check_keys(path: Path, tree: Any, kind: Any, place: str) -> None:
    """Name the first key that a table should not have, and the nearest that it may have."""
    if get_origin(kind) is list:
        for item in tree if isinstance(tree, list) else []:
            _check_keys(path, item, get_args(kind)[0], place)
    if not (isinstance(kind, type) and issubclass(kind, msgspec.Struct) and isinstance(tree, dict)):
        return
    fields = {field.name: field.type for field in msgspec.structs.fields(kind)}
    for key, value in tree.items():
        if key not in fields:
            near = difflib.get_close_matches(key, fields, n=1, cutoff=0.5)
            advice = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(fields)}."
            raise SettingsError(f"{path}: there is no setting {place + key!r}; {advice}")
        _check_keys(path, value, fields[key], f"{place}{key}.")
