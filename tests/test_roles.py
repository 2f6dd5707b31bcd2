"""Whose microphone each channel is: asked for, from the settings, from the names, else 1 and 2."""

from pathlib import Path

import pytest

from dualmic.errors import UsageError
from dualmic.record import Roles
from dualmic.recording import ChannelInfo, RecordingInfo
from dualmic.roles import decide_roles
from dualmic.settings import People, RoleRule, Settings, TrackNames


def take(*names: str | None, file: str = "CAM-B_0001.MOV") -> RecordingInfo:
    return RecordingInfo(
        name=Path(file).stem,
        paths=(Path(file),),
        sample_rate_hz=48_000,
        bit_depth=24,
        is_float=False,
        is_lossy=False,
        container="MOV",
        codec="PCM 24 bit",
        channels=tuple(ChannelInfo(0, n, name) for n, name in enumerate(names, start=1)),
        promised_frames=None,
        timecode=None,
        recorded_at=None,
    )


TWO, FOUR = take(None, None), take(None, None, None, None)
NAMES = Settings(tracks=TrackNames(interviewer=["Lav A"], subject=["Lav B"]))
RULES = Settings(roles=[RoleRule("cam-b*", 2, 1), RoleRule("*", 3, 4)])


def pair(roles: Roles) -> tuple[int | None, int | None]:
    return roles.interviewer, roles.subject


def test_without_more_channel_one_is_the_interviewer() -> None:
    channels, roles = decide_roles(FOUR)
    assert pair(roles) == (1, 2)
    assert roles.decided_by == "default"
    assert [channel.role for channel in channels] == ["interviewer", "subject", "unused", "unused"]
    assert [(channel.channel, channel.track) for channel in channels] == [
        (1, 1),
        (2, 2),
        (3, 3),
        (4, 4),
    ]


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ((2, 1), (2, 1)),
        ((3, 4), (3, 4)),
        ((2, None), (2, 1)),
        ((None, 1), (2, 1)),
        ((4, None), (4, 2)),
    ],
)
def test_what_is_asked_for_counts_before_all(
    asked: tuple[int | None, int | None], expected: tuple[int, int]
) -> None:
    _, roles = decide_roles(FOUR, *asked)
    assert pair(roles) == expected
    assert "command line" in roles.decided_by


def test_asking_counts_before_settings_and_names() -> None:
    _, roles = decide_roles(take("Lav B", "Lav A"), 1, 2, NAMES)
    assert pair(roles) == (1, 2)


def test_settings_for_the_file_count_before_names() -> None:
    both = Settings(roles=RULES.roles, tracks=NAMES.tracks)
    _, roles = decide_roles(take("Lav A", "Lav B"), settings=both)
    assert pair(roles) == (2, 1)
    assert '"cam-b*"' in roles.decided_by
    _, roles = decide_roles(take(None, None, None, None, file="other.wav"), settings=both)
    assert pair(roles) == (3, 4)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (("Lav B", "Lav A"), (2, 1)),
        (("lav b ", "LAV A"), (2, 1)),
        (("Camera", "x", "Lav B", "Lav A"), (4, 3)),
        (("Subject", "Interviewer"), (2, 1)),
        (("x", "Lav A"), (2, 1)),  # one name of two channels says which the other is
        (("Lav B", None), (2, 1)),
    ],
)
def test_track_names_say_whose_they_are(
    names: tuple[str | None, ...], expected: tuple[int, int]
) -> None:
    _, roles = decide_roles(take(*names), settings=NAMES)
    assert pair(roles) == expected
    assert "track name" in roles.decided_by


@pytest.mark.parametrize("names", [("Lav A", "Lav A"), ("x", "y"), ("x", "y", "Lav A")])
def test_names_that_leave_a_doubt_decide_nothing(names: tuple[str, ...]) -> None:
    _, roles = decide_roles(take(*names), settings=NAMES)
    assert pair(roles) == (1, 2)
    assert roles.decided_by == "default"


def test_people_are_named() -> None:
    _, roles = decide_roles(TWO, settings=Settings(people=People("Ada", "The lock keeper")))
    assert (roles.interviewer_name, roles.subject_name) == ("Ada", "The lock keeper")


def test_one_channel_asks_for_the_second_file() -> None:
    with pytest.raises(UsageError, match=r"one channel only.*second file"):
        decide_roles(take(None))


@pytest.mark.parametrize(
    ("asked", "settings", "reason"),
    [
        ((3, 1), None, "has channels 1 to 2"),
        ((1, 0), None, "has channels 1 to 2"),
        ((2, 2), None, "each needs a channel of their own"),
        ((None, None), Settings(roles=[RoleRule("*", 1, 7)]), 'files "*"'),
    ],
)
def test_a_channel_that_is_not_there_is_refused(
    asked: tuple[int | None, int | None], settings: Settings | None, reason: str
) -> None:
    with pytest.raises(UsageError) as caught:
        decide_roles(TWO, *asked, settings)
    assert reason in str(caught.value)
    assert "\n" not in str(caught.value)
