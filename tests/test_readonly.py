"""A card is only read: nothing in its tree changes, access times included."""

import hashlib
import os
from pathlib import Path

import numpy as np
import pytest
import recording_files as files
from recording_files import noise, packed_24
from speech_scene import make

from dualmic import readonly
from dualmic.cli import main
from dualmic.errors import RecordingError, ReportError
from dualmic.joining import find_parts
from dualmic.newest import newest_recording
from dualmic.readonly import open_read_only, refuse_inside
from dualmic.recording import open_recording

SAMPLES = noise(9_600)


@pytest.fixture
def card(tmp_path: Path) -> Path:
    folder = tmp_path / "card"
    folder.mkdir()
    (folder / "A_001.wav").write_bytes(files.wave(packed_24(SAMPLES), files.wave_format(2)))
    (folder / "A_002.wav").write_bytes(files.wave(packed_24(SAMPLES), files.wave_format(2)))
    files.write_soundfile(folder / "a.flac", SAMPLES, "PCM_24", "FLAC")
    files.write_av(folder / "a.mov", [SAMPLES], picture="mpeg4")
    files.write_av(folder / "a.mxf", [SAMPLES], picture="mpeg2video")
    (folder / "cut.mov").write_bytes((folder / "a.mov").read_bytes()[:3_000])
    return folder


def checksum(folder: Path) -> str:
    """Return one checksum over names, bytes, sizes, modes and dates of everything in a tree."""
    total = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        facts = path.stat()
        dates = facts.st_mtime_ns, facts.st_ctime_ns, facts.st_atime_ns
        total.update(repr((str(path), facts.st_size, facts.st_mode, dates)).encode())
        if path.is_file():
            with open_read_only(path) as file:
                total.update(file.read())
    return total.hexdigest()


@pytest.mark.skipif(not hasattr(os, "O_NOATIME"), reason="the system cannot leave access times")
def test_reading_changes_nothing_on_a_read_only_card(card: Path) -> None:
    for path in card.iterdir():
        os.utime(path, ns=(1_000_000_000, 2_000_000_000))  # older than changed: reading would show
        path.chmod(0o444)
    card.chmod(0o555)
    before = checksum(card)
    for path in sorted(card.iterdir()):
        try:
            with open_recording([path]) as recording:
                assert sum(map(len, recording.blocks()))
        except RecordingError:
            assert path.name == "cut.mov"
    with open_recording([card / "A_001.wav", card / "A_002.wav"], joined=True) as recording:
        list(recording.blocks())
    newest_recording(card)
    find_parts(card / "A_001.wav")
    assert checksum(card) == before
    card.chmod(0o755)


@pytest.mark.skipif(not hasattr(os, "O_NOATIME"), reason="the system cannot leave access times")
def test_commands_change_nothing_on_a_read_only_card(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A take with a damaged answer, so that reports hold clips, and its second part.
    scene = make(rounds=2)
    start, end = (round(at_s * 48_000) for at_s in scene.answers()[0])
    scene.samples[start:end, 1] = np.clip(scene.samples[start:end, 1] * 30, -1, 1) * 0.9
    whole = (np.clip(scene.samples, -1, 1) * (2**23 - 1)).astype(np.int32) << 8
    card, work = tmp_path / "card", tmp_path / "work"
    (card / "DCIM").mkdir(parents=True)
    work.mkdir()
    for number, part in enumerate(np.split(whole, [len(whole) // 96_000 * 48_000]), start=1):
        seconds = 36_000 + (number - 1) * (len(whole) // 96_000)
        files.write_av(
            card / "DCIM" / f"A_{number:03d}.mov",
            [part[:, :1], part[:, 1:]],
            picture="mpeg4",
            timecode=f"10:00:{seconds - 36_000:02d}:00",
        )
    for path in [*card.rglob("*.mov")]:
        os.utime(path, ns=(1_000_000_000, 2_000_000_000))
        path.chmod(0o444)
    (card / "DCIM").chmod(0o555)
    card.chmod(0o555)
    monkeypatch.chdir(work)
    first = str(card / "DCIM" / "A_001.mov")
    before = checksum(card)
    for number, arguments in enumerate(
        [
            ["check", first, "--json", "a.json"],
            ["check", first, "--joined", "--report", "r2"],
            ["check", str(card), "--newest"],
            ["check", first, "--as", "mix"],
            ["hear", first],
        ]
    ):
        with pytest.raises(SystemExit) as ended:
            main(arguments, standalone_mode=False)
        assert ended.value.code in (0, 1), arguments
        assert checksum(card) == before, (number, arguments)
    assert b"data:audio" in (work / "r2" / "A_001.html").read_bytes()
    (card / "DCIM").chmod(0o755)
    card.chmod(0o755)


def test_a_file_is_opened_for_reading_only(card: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []
    really = os.open

    def watched(path: Path, flags: int, *more: int) -> int:
        seen.append(flags)
        return really(path, flags, *more)

    monkeypatch.setattr(readonly.os, "open", watched)
    with open_read_only(card / "a.mov") as file:
        assert not file.writable()
    assert seen
    assert all(flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC) == 0 for flags in seen)


def test_where_the_system_refuses_to_leave_access_times_it_is_read_all_the_same(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    really = os.open

    def refusing(path: Path, flags: int, *more: int) -> int:
        if flags & os.O_NOATIME:  # what Linux answers when the file belongs to somebody else
            raise PermissionError(1, "Operation not permitted")
        return really(path, flags, *more)

    monkeypatch.setattr(readonly.os, "open", refusing)
    with open_recording([card / "a.mov"]) as recording:
        assert sum(map(len, recording.blocks())) == len(SAMPLES)


def test_no_report_goes_into_the_folder_being_checked(card: Path, tmp_path: Path) -> None:
    for inside in [card, card / "reports", card / "x" / ".." / "reports"]:
        with pytest.raises(ReportError, match="being checked"):
            refuse_inside(inside, card)
    link = tmp_path / "link"
    link.symlink_to(card)
    with pytest.raises(ReportError):
        refuse_inside(link / "reports", card)
    refuse_inside(tmp_path / "reports", card)
    refuse_inside(tmp_path / "card-reports", card)
    refuse_inside(card / "reports", card / "a.mov")
