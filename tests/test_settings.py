"""``dualmic.toml`` is checked: a wrong key is named, with the nearest right one."""

from pathlib import Path

import pytest

from dualmic.errors import SettingsError
from dualmic.settings import Settings, find_settings, load_settings


def load(folder: Path, text: str) -> Settings:
    path = folder / "dualmic.toml"
    path.write_text(text, "utf-8")
    return load_settings(path)


def test_everything_may_be_set(tmp_path: Path) -> None:
    settings = load(
        tmp_path,
        """
        mains_hz = 60
        deliveries = ["podcast", "my-client.toml"]
        timecode_rate = "29.97"
        [people]
        interviewer = "Ada"
        subject = "Žofie"
        [tracks]
        interviewer = ["Lav A", "TX1"]
        [[roles]]
        files = "CAM-B*"
        interviewer = 2
        subject = 1
        [marks]
        project = "Locks"
        roll = "A003"
        notes = "windy"
        """,
    )
    assert settings.mains_hz == 60
    assert settings.people.subject == "Žofie"
    assert settings.tracks.interviewer == ["Lav A", "TX1"]
    assert settings.roles[0].matches("cam-b_0001.MOV")
    assert not settings.roles[0].matches("CAM-A_0001.MOV")
    assert settings.marks.roll == "A003"


def test_nothing_need_be_set(tmp_path: Path) -> None:
    assert load(tmp_path, "") == Settings()


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("mains = 50", ["'mains'", "'mains_hz'"]),
        ("delivery = []", ["'delivery'", "'deliveries'"]),
        ("[people]\nsubjekt = 'A'", ["'people.subjekt'", "'subject'"]),
        ("[[roles]]\nfile = '*'\ninterviewer = 1\nsubject = 2", ["'roles.file'", "'files'"]),
        ("xyzzy = 1", ["'xyzzy'", "known are mains_hz"]),
        ("mains_hz = 55", ["mains_hz", "55"]),
        ("mains_hz = 'loud'", ["mains_hz"]),
        ("[[roles]]\nfiles = '*'\nsubject = 2", ["interviewer"]),
        ("[[roles]]\nfiles = '*'\ninterviewer = 0\nsubject = 2", ["interviewer", ">= 1"]),
        ("people = 'Ada'", ["people"]),
        ("timecode_rate = 'fast'", ["timecode_rate"]),
        ("timecode_rate = '1000'", ["timecode_rate"]),
        ("mains_hz = ", ["not valid TOML"]),
    ],
)
def test_a_wrong_key_or_value_is_named(text: str, parts: list[str], tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text)
    message = str(caught.value)
    assert "\n" not in message
    for part in ["dualmic.toml", *parts]:
        assert part in message


def test_a_file_that_is_no_text_or_not_there(tmp_path: Path) -> None:
    path = tmp_path / "dualmic.toml"
    with pytest.raises(SettingsError, match="Cannot read"):
        load_settings(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="not valid TOML"):
        load_settings(path)


def test_settings_are_found_in_the_working_folder(tmp_path: Path) -> None:
    assert find_settings(tmp_path) is None
    load(tmp_path, "")
    assert find_settings(tmp_path) == tmp_path / "dualmic.toml"
