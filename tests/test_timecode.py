"""Timecode counts as SMPTE ST 12-1 says, and is found where files keep it."""

import random
from fractions import Fraction
from pathlib import Path

import pytest
import recording_files as files
from recording_files import noise, packed_24

from dualmic.record import Timecode
from dualmic.recording import open_recording
from dualmic.timecode import Counter, at, nearest_rate, parse_rate, rate_name

NTSC_30, NTSC_60, NTSC_24 = (Fraction(n * 1000, 1001) for n in (30, 60, 24))


def labels_of_a_day(nominal: int, dropped: int) -> list[tuple[int, int, int]]:
    """Count a day by the published rule: labels are left out but in every tenth minute."""
    return [
        (minute, second, frame)
        for minute in range(24 * 60)
        for second in range(60)
        for frame in range(dropped if second == 0 and minute % 10 else 0, nominal)
    ]


def written(label: tuple[int, int, int], dropped: int) -> str:
    minute, second, frame = label
    mark = ";" if dropped else ":"
    return f"{minute // 60:02d}:{minute % 60:02d}:{second:02d}{mark}{frame:02d}"


# Frames a day: 107 892 an hour at 29.97 drop-frame, 86 400 times the rate otherwise.
@pytest.mark.parametrize(
    ("rate", "dropped", "frames"),
    [
        (NTSC_30, 2, 24 * 107_892),
        (NTSC_60, 4, 24 * 215_784),
        (NTSC_30, 0, 86_400 * 30),
        (Fraction(25), 0, 86_400 * 25),
    ],
)
def test_a_day_is_counted_by_the_published_rule(rate: Fraction, dropped: int, frames: int) -> None:
    expected = labels_of_a_day(round(rate), dropped)
    counter = Counter(0, rate, drop_frame=bool(dropped))
    assert len(expected) == counter.frames_a_day == frames
    # Every frame of eleven minutes, both sides of every minute, and frames anywhere.
    anywhere = random.Random(1).sample(range(frames), 2_000)
    places = {*range(11 * 60 * round(rate)), *anywhere}
    for place in range(0, frames, frames // (24 * 60)):
        places.update(near for near in range(place - 4, place + 5) if 0 <= near < frames)
    for place in places:
        assert counter.label(place) == written(expected[place], dropped)
    for place in anywhere:
        assert Counter.parse(counter.label(place), str(rate)).start_frame == place


@pytest.mark.parametrize(
    ("start", "rate", "elapsed_s", "label"),
    [
        ("10:11:12:00", "25", 0.0, "10:11:12:00"),
        ("10:11:12:00", "25", 0.04, "10:11:12:01"),
        ("10:11:12:00", "25", 0.039, "10:11:12:00"),
        ("10:11:12:24", "25", 0.04, "10:11:13:00"),
        ("23:59:59:24", "25", 0.04, "00:00:00:00"),
        ("23:59:59;29", "29.97", 1001 / 30000, "00:00:00;00"),
        ("00:00:59;29", "29.97", 1001 / 30000, "00:01:00;02"),
        ("00:09:59;29", "29.97", 1001 / 30000, "00:10:00;00"),
        ("00:00:59;59", "59.94", 1001 / 60000, "00:01:00;04"),
        ("00:00:59:23", "23.976", 1001 / 24000, "00:01:00:00"),
        ("01:00:00:00", "23.98", 3600 * 1.001, "02:00:00:00"),
        ("01:00:00:00", "50", 60.02, "01:01:00:01"),
        ("01:00:00:00", "60", 1.5, "01:00:01:30"),
    ],
)
def test_time_on_from_a_start(start: str, rate: str, elapsed_s: float, label: str) -> None:
    assert at(Timecode(start, rate, ";" in start), elapsed_s) == label


def test_a_take_without_timecode_has_none() -> None:
    assert at(None, 1.0) is None


@pytest.mark.parametrize(
    "text", ["", "10:11:12", "24:00:00:00", "10:60:00:00", "10:11:12:25", "00:01:00;01", "a:b:c:d"]
)
def test_what_is_no_timecode_is_refused(text: str) -> None:
    rate = "29.97" if ";" in text else "25"
    with pytest.raises(ValueError):
        Counter.parse(text, rate)


def test_rates_are_read_and_written_as_people_write_them() -> None:
    for text, exact, name in [
        ("23.98", NTSC_24, "23.976"),
        ("23.976", NTSC_24, "23.976"),
        ("24000/1001", NTSC_24, "23.976"),
        ("29.97", NTSC_30, "29.97"),
        ("59.94", NTSC_60, "59.94"),
        ("25", Fraction(25), "25"),
        ("30/1", Fraction(30), "30"),
    ]:
        assert parse_rate(text) == exact
        assert rate_name(exact) == name
    for text in ("0", "-25", "1000", "fast"):
        with pytest.raises(ValueError):
            parse_rate(text)
    assert nearest_rate(Fraction(2491, 100)) == 25
    assert nearest_rate(Fraction(15)) == 15


@pytest.mark.parametrize("container", ["mov", "mp4", "mxf", "mkv"])
@pytest.mark.parametrize(
    ("rate", "start", "name"),
    [
        (NTSC_24, "10:11:12:23", "23.976"),
        (Fraction(24), "10:11:12:23", "24"),
        (Fraction(25), "00:00:00:00", "25"),
        (NTSC_30, "10:11:12:29", "29.97"),
        (NTSC_30, "10:11:12;29", "29.97"),
        (Fraction(30), "10:11:12:29", "30"),
        (Fraction(50), "10:11:12:49", "50"),
        (NTSC_60, "10:11:12;59", "59.94"),
        (Fraction(60), "23:59:59:59", "60"),
    ],
)
def test_a_cameras_timecode_is_found(
    container: str, rate: Fraction, start: str, name: str, tmp_path: Path
) -> None:
    path = files.write_av(
        tmp_path / f"a.{container}",
        [noise(4_000)],
        picture="mpeg2video",
        picture_rate=rate,
        timecode=start,
    )
    with open_recording([path]) as recording:
        assert recording.info.timecode == Timecode(start, name, ";" in start)


def test_a_timecode_track_counts_at_its_own_rate(tmp_path: Path) -> None:
    path = files.write_av(
        tmp_path / "a.mov",
        [noise(4_000)],
        picture="mpeg4",
        picture_rate=Fraction(50),
        timecode="10:11:12:00",
    )
    data = bytearray(path.read_bytes())
    # The timecode sample description: 'tmcd', reserved, data reference, reserved, flags, then
    # time scale, frame duration and the number of labels a second.
    place = data.index(b"tmcd", data.index(b"stsd", data.index(b"gmhd")))
    data[place + 20 : place + 29] = bytes([0, 0, 0, 25, 0, 0, 0, 1, 25])
    path.write_bytes(data)
    with open_recording([path]) as recording:
        # The track holds a number of frames: as many take twice as long at half the rate.
        assert recording.info.timecode == Timecode("20:22:24:00", "25")


def test_sound_that_starts_after_the_picture_has_a_later_timecode(tmp_path: Path) -> None:
    path = files.write_av(
        tmp_path / "a.mov", [noise(4_000)], picture="mpeg4", timecode="10:11:12:00", starts_s=[0.2]
    )
    with open_recording([path]) as recording:
        assert recording.info.timecode == Timecode("10:11:12:05", "25")


IXML = """<?xml version="1.0" encoding="UTF-8"?><BWFXML><PROJECT>Locks</PROJECT><SCENE>4</SCENE>
<SPEED><TIMECODE_RATE>{rate}</TIMECODE_RATE><TIMECODE_FLAG>{flag}</TIMECODE_FLAG></SPEED>
<TRACK_LIST><TRACK_COUNT>2</TRACK_COUNT>
<TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>Ada</NAME>
</TRACK><TRACK><CHANNEL_INDEX>3</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX>
<NAME>Keeper</NAME></TRACK></TRACK_LIST></BWFXML>"""


def broadcast_wave(path: Path, seconds: Fraction, ixml: str = "") -> Path:
    before = files.bext(int(seconds * files.RATE_HZ))
    after = files.chunk(b"iXML", ixml.encode()) if ixml else b""
    data = packed_24(noise(2_000))
    path.write_bytes(files.wave(data, files.wave_format(2), before=before, after=after))
    return path


def test_a_broadcast_wave_gives_the_time_of_day(tmp_path: Path) -> None:
    path = broadcast_wave(tmp_path / "a.wav", Fraction(36_672) + Fraction(13, 25))
    with open_recording([path]) as recording:
        list(recording.blocks())
    assert recording.info.timecode == Timecode("10:11:12:13", "25", rate_is_given=False)
    assert recording.info.recorded_at == "2024-05-03T10:11:12"
    assert recording.info.texts["description"] == "Lock 4, upper gate"
    assert recording.ending().notes == ()
    with open_recording([path], timecode_rate="50") as recording:
        assert recording.info.timecode == Timecode("10:11:12:26", "50", rate_is_given=False)


def test_ixml_gives_the_rate_and_the_tracks_names(tmp_path: Path) -> None:
    # One hour of labels at 29.97 drop-frame is 107 892 frames.
    path = broadcast_wave(
        tmp_path / "a.wav", 107_892 / NTSC_30, IXML.format(rate="30000/1001", flag="DF")
    )
    with open_recording([path]) as recording:
        list(recording.blocks())
    assert recording.info.timecode == Timecode("01:00:00;00", "29.97", True)
    assert [channel.name for channel in recording.info.channels] == ["Keeper", "Ada"]
    assert recording.info.texts["project"] == "Locks"
    assert recording.ending().notes == ()


# Entities can swell a small text without bound: a text that defines some is not read.
ENTITY = IXML.replace("?><BWF", "?><!DOCTYPE a [<!ENTITY b 'boom'>]><BWF").replace("Ada", "&b;")


@pytest.mark.parametrize("ixml", ["", "<BWFXML", ENTITY, "\0"])
def test_a_broken_ixml_is_passed_over(ixml: str, tmp_path: Path) -> None:
    path = broadcast_wave(tmp_path / "a.wav", Fraction(36_000), ixml)
    with open_recording([path]) as recording:
        assert recording.info.timecode == Timecode("10:00:00:00", "25", rate_is_given=False)
        assert [channel.name for channel in recording.info.channels] == [None, None]


@pytest.mark.parametrize("more", ["", " "])  # a chunk of odd length is followed by a zero byte
@pytest.mark.parametrize("kind", ["RIFF", "RF64"])
def test_chunks_after_the_sound_are_read(kind: str, more: str, tmp_path: Path) -> None:
    data, form = packed_24(noise(2_000)), files.wave_format(2)
    ixml = files.chunk(b"iXML", (IXML.format(rate="25", flag="NDF") + more).encode())
    after = files.chunk(b"PAD ", b"odd") + ixml + files.bext(36_000 * files.RATE_HZ)
    path = tmp_path / "a.wav"
    if kind == "RIFF":
        path.write_bytes(files.wave(data, form, after=after))
    else:
        path.write_bytes(files.wave_64(b"RF64", data, form) + after)
    with open_recording([path]) as recording:
        assert recording.info.timecode == Timecode("10:00:00:00", "25")
        assert [channel.name for channel in recording.info.channels] == ["Keeper", "Ada"]


def test_a_recorder_without_a_clock_has_no_timecode(tmp_path: Path) -> None:
    with open_recording([broadcast_wave(tmp_path / "a.wav", Fraction(0))]) as recording:
        assert recording.info.timecode is None


def test_a_files_own_words_are_made_safe_to_show(tmp_path: Path) -> None:
    ixml = IXML.format(rate="25", flag="NDF").replace(
        "Ada", "A\u202ed\u009b31ma &#10; b" + "c" * 600
    )
    path = broadcast_wave(tmp_path / "a.wav", Fraction(36_000), ixml)
    with open_recording([path]) as recording:
        name = recording.info.channels[1].name
    assert name is not None
    assert name.startswith("A d 31ma bccc")
    assert len(name) == 500
    assert name.isprintable()
