"""Which channel is whose microphone, and what decided it.

With one microphone for both people there is nothing to decide but its channel. Else, in this
order: the channels that were asked for; the roles that ``dualmic.toml`` gives to files of
that name; the tracks' own names; else channel 1 is the interviewer and channel 2 the subject. The
record says which of them it was.
"""

from collections.abc import Iterable

from dualmic.errors import UsageError
from dualmic.record import Channel, ChannelRole, Roles
from dualmic.recording import RecordingInfo
from dualmic.settings import Settings

DEFAULT_INTERVIEWER, DEFAULT_SUBJECT = 1, 2


def decide_roles(
    info: RecordingInfo,
    interviewer: int | None = None,
    subject: int | None = None,
    settings: Settings | None = None,
    *,
    one_mic: bool = False,
) -> tuple[list[Channel], Roles]:
    """Return the take's channels with their roles, and the decision.

    Args:
        info: the opened take.
        interviewer: channel asked for, from 1, or ``None``.
        subject: likewise.
        settings: what ``dualmic.toml`` says, or ``None``.
        one_mic: both people share one microphone: it is the subject's, for every word spoken may
            be an answer, and there is no interviewer's.

    Raises:
        UsageError: one channel only though ``one_mic`` is not said, a channel that is not there,
            or one channel for both people.

    """
    count = len(info.channels)
    settings = settings or Settings()
    first: int | None
    if one_mic:
        decided_by, first, second = _shared(interviewer, subject)
    elif count < 2:
        raise UsageError(
            f"{info.paths[0].name} has one channel only, and two microphones are compared: give "
            "the other microphone's file as a second file, or --one-mic if both people share it."
        )
    else:
        decided_by, first, second = _decide(info, settings)
        if interviewer is not None or subject is not None:
            decided_by = "asked for on the command line"
            first, second = _complete(interviewer, subject, first, second)
    for person, channel in (("interviewer", first), ("subject", second)):
        if channel is not None and not 1 <= channel <= count:
            there = f"channels 1 to {count}" if count > 1 else "one channel only"
            raise UsageError(
                f"The {person} was put on channel {channel} ({decided_by}), but {info.name} has "
                f"{there}: choose one of those."
            )
    if first == second:
        raise UsageError(
            f"Interviewer and subject are both on channel {first} ({decided_by}): "
            "each needs a channel of their own."
        )
    roles: dict[int, ChannelRole] = {second: "subject"}
    if first is not None:
        roles[first] = "interviewer"
    channels = [
        Channel(number, channel.file, channel.track, channel.name, roles.get(number, "unused"))
        for number, channel in enumerate(info.channels, start=1)
    ]
    names = settings.people
    return channels, Roles(
        interviewer=first,
        subject=second,
        decided_by=decided_by,
        interviewer_name=names.interviewer,
        subject_name=names.subject,
    )


def _shared(interviewer: int | None, subject: int | None) -> tuple[str, None, int]:
    """Return the one channel that both people are on: the one asked for, else the first."""
    if interviewer is not None and subject is not None and interviewer != subject:
        raise UsageError(
            "--one-mic says that both people share a microphone, but two channels are asked for "
            f"({interviewer} and {subject}): give one of them, or leave --one-mic out."
        )
    asked = subject if subject is not None else interviewer
    return "one microphone for both people: all that is spoken counts as answers", None, asked or 1


def _complete(
    interviewer: int | None, subject: int | None, first: int, second: int
) -> tuple[int, int]:
    """Fill in the channel that was not asked for: as it was, or the one that is now free."""
    if interviewer is None:
        assert subject is not None
        return (first if first != subject else second), subject
    if subject is None:
        return interviewer, (second if second != interviewer else first)
    return interviewer, subject


def _decide(info: RecordingInfo, settings: Settings) -> tuple[str, int, int]:
    for rule in settings.roles:
        if any(rule.matches(path.name) for path in info.paths):
            return f'dualmic.toml, files "{rule.files}"', rule.interviewer, rule.subject
    tracks = settings.tracks
    first = _named(info, [*tracks.interviewer, "interviewer"])
    second = _named(info, [*tracks.subject, "subject"])
    if first is not None and second is not None and first != second:
        name = info.channels[first - 1].name, info.channels[second - 1].name
        return f'track names "{name[0]}" and "{name[1]}"', first, second
    # One person's track is known: with two channels the other is the other person's.
    if len(info.channels) == 2 and (first is None) != (second is None):
        known = first or second
        assert known is not None
        channel = info.channels[known - 1]
        other = 3 - known
        pair = (known, other) if first else (other, known)
        return f'track name "{channel.name}"', *pair
    return "default", DEFAULT_INTERVIEWER, DEFAULT_SUBJECT


def _named(info: RecordingInfo, names: Iterable[str]) -> int | None:
    """Return the one channel that has one of these names, or ``None`` when none or several do."""
    wanted = {name.strip().casefold() for name in names}
    found = [
        number
        for number, channel in enumerate(info.channels, start=1)
        if channel.name and channel.name.strip().casefold() in wanted
    ]
    return found[0] if len(found) == 1 else None
