"""Of a camera file the sound is read and not the picture, as the operating system counts it."""

import os
import random
from pathlib import Path

import numpy as np
import pytest
import recording_files as files
from recording_files import as_float, noise, read

from dualmic.readers.matroska import SoundOnly
from dualmic.readonly import open_read_only

SAMPLES = noise(3 * files.RATE_HZ)
MONOS = [SAMPLES[:, :1], SAMPLES[:, 1:]]
SOUND_BYTES = SAMPLES.size * 3


def camera_file(path: Path, **more: object) -> Path:
    """Write 3 s of sound and a picture of 25 frames a second of a quarter of a megabyte."""
    options = {"picture": "rawvideo", "picture_side": 416} | more
    return files.write_av(path, MONOS, **options)  # type: ignore[arg-type]


def bytes_asked_for() -> int:
    text = Path("/proc/self/io").read_text()
    return int(text.split("rchar: ")[1].split()[0])


@pytest.mark.skipif(not Path("/proc/self/io").exists(), reason="the system does not count bytes")
@pytest.mark.parametrize("name", ["a.mov", "a.mkv", "a.avi"])
def test_the_picture_is_not_read(name: str, tmp_path: Path) -> None:
    path = camera_file(tmp_path / name)
    read(camera_file(tmp_path / f"first-{name}", picture_side=16))  # what is loaded once
    before = bytes_asked_for()
    got, _ = read(path)
    asked = bytes_asked_for() - before
    assert np.array_equal(got, as_float(SAMPLES))
    # The goal for a minute, 1.3 times the sound and 5 MB for what is read once, for 3 s of it.
    assert asked < 1.3 * SOUND_BYTES + 1_000_000
    assert path.stat().st_size > 10 * asked


@pytest.mark.parametrize("options", [{}, {"live": "1"}, {"cluster_time_limit": "100"}], ids=str)
def test_matroska_is_followed_whatever_its_clusters(options: dict, tmp_path: Path) -> None:
    # Written live, Segment and Clusters do not state their length (RFC 8794, section 6.2).
    path = camera_file(tmp_path / "a.mkv", options=options)
    with open_read_only(path) as file:
        only = SoundOnly(file)
        data = only.read()
    whole = path.read_bytes()
    assert len(data) == len(whole)
    assert data.count(0) > 0.9 * len(data)
    assert whole.count(0) < 0.1 * len(whole)
    got, _ = read(path)
    assert np.array_equal(got, as_float(SAMPLES))


def test_reading_in_any_order_gives_the_same_bytes(tmp_path: Path) -> None:
    path = camera_file(tmp_path / "a.mkv")
    with open_read_only(path) as file:
        expected = SoundOnly(file).read()
        only, chance = SoundOnly(file), random.Random(4)
        only.read(len(expected) // 2)
        for _ in range(300):
            at, size = chance.randrange(len(expected)), chance.choice([1, 100, 4_096, 300_000])
            assert only.seek(at) == at
            assert only.read(size) == expected[at : at + size]
            assert only.tell() == min(at + size, len(expected))
        assert only.seek(-10, os.SEEK_END) == len(expected) - 10
        assert only.read(100) == expected[-10:]
        assert only.read(100) == b""


def test_a_file_of_sound_alone_is_handed_out_as_it_is(tmp_path: Path) -> None:
    path = files.write_av(tmp_path / "a.mkv", MONOS)
    with open_read_only(path) as file:
        assert SoundOnly(file).read() == path.read_bytes()


def element(name: str, body: bytes, length: bytes | None = None) -> bytes:
    """Return an EBML element; ``length`` overrides the true one (RFC 8794, section 6)."""
    known = (len(body) | 1 << 28).to_bytes(4, "big")
    return bytes.fromhex(name) + (known if length is None else length) + body


def test_elements_are_followed_by_the_standard(tmp_path: Path) -> None:
    # Two tracks: number 1 of type 2, sound, and number 2 of type 1, picture (RFC 9559, 5.1.4).
    kinds = [(1, 2), (2, 1)]
    entries = [element("ae", b"\xd7\x81%c\x83\x81%c" % kind) for kind in kinds]
    tracks = element("1654ae6b", b"".join(entries))
    # A block: track number, two bytes of time and one of flags, the data (RFC 9559, 10).
    sound, picture = b"\x81\0\0\0" + b"s" * 50, b"\x82\0\0\0" + b"p" * 50
    group = element("a0", element("a1", picture) + element("9b", b"\x01"))
    blocks = [element("a3", sound), element("a3", picture), group, element("a3", sound)]
    unknown = b"\xff"  # all ones: a length that is not known, as when written live
    known = element("1f43b675", b"".join(blocks), unknown)
    lost = element("a3", picture, unknown) + element("a3", picture)
    whole = element("1a45dfa3", b"")
    whole += element("18538067", tracks + known + lost, unknown)
    path = tmp_path / "a.mkv"
    path.write_bytes(whole)
    with open_read_only(path) as file:
        got = SoundOnly(file).read()
    # Picture becomes zeros up to the block whose length is not known; from there all is itself.
    ends = len(whole) - len(lost)
    assert got[:ends] == whole[:ends].replace(b"p", b"\0")
    assert got[ends:] == lost


@pytest.mark.parametrize("seed", range(30))
def test_where_it_cannot_be_followed_its_own_bytes_are_handed_out(
    seed: int, tmp_path: Path
) -> None:
    path, chance = camera_file(tmp_path / "a.mkv", picture_side=32), random.Random(seed)
    data = bytearray(path.read_bytes())
    for _ in range(chance.choice([1, 10, 100])):
        data[chance.randrange(len(data))] = chance.randrange(256)
    path.write_bytes(data[: chance.randrange(1, len(data) + 1)])
    whole = path.read_bytes()
    with open_read_only(path) as file:
        got = SoundOnly(file).read()
    assert len(got) == len(whole)
    differs = np.frombuffer(got, np.uint8) != np.frombuffer(whole, np.uint8)
    assert not np.frombuffer(got, np.uint8)[differs].any()
