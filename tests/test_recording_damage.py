"""Damaged files: cut short, never finished, lying, or no recordings at all.

Whatever is in a file, reading it ends in samples that are really there or in one clear line.
"""

import os
import random
import struct
from pathlib import Path

import av
import numpy as np
import pytest
import recording_files as files
from recording_files import as_float, noise, packed_24, read

from dualmic.errors import RecordingError
from dualmic.readers.wavfile import WavReader
from dualmic.recording import open_recording

FRAMES = 24_007
SAMPLES = noise(FRAMES)
DATA = packed_24(SAMPLES)
FORM = files.wave_format(2)
MONOS = [SAMPLES[:, :1], SAMPLES[:, 1:]]


def make(name: str, folder: Path) -> Path:
    """Write ``SAMPLES`` as a file whose header stands before its sound."""
    path, front = folder / name, {"movflags": "faststart"}
    if name == "a.wav":
        path.write_bytes(files.wave(DATA, FORM))
    elif name == "a.rf64":
        path.write_bytes(files.wave_64(b"RF64", DATA, FORM))
    elif name in ("a.w64", "a.aiff", "a.flac"):
        files.write_soundfile(path, SAMPLES, "PCM_24", path.suffix[1:].upper())
    elif name == "a.mov":
        files.write_av(path, MONOS, picture="mpeg4", options=front)
    elif name == "a.mp4":
        files.write_av(path, [SAMPLES], "aac", picture="mpeg4", options=front)
    elif name == "a.mxf":
        files.write_av(path, MONOS, picture="mpeg2video")
    else:
        files.write_av(path, MONOS, picture="mpeg4")
    return path


def complaint(path: Path) -> str:
    """Return the error that reading a file ends in: one line, with the file's name in it."""
    with pytest.raises(RecordingError) as caught:
        read(path)
    text = str(caught.value)
    assert "\n" not in text
    assert path.name in text
    assert text.endswith((".", "?"))
    return text


LOSSLESS = ["a.wav", "a.rf64", "a.w64", "a.aiff", "a.flac", "a.mov", "a.mxf", "a.mkv"]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("name", LOSSLESS)
def test_a_file_cut_anywhere_gives_the_beginning_of_its_sound(
    name: str, seed: int, tmp_path: Path
) -> None:
    path = make(name, tmp_path)
    whole = path.read_bytes()
    length = random.Random(seed).randrange(len(whole) // 8, int(len(whole) * 0.98))
    path.write_bytes(whole[:length])
    got, ending = read(path)
    assert 0 < len(got) < FRAMES
    assert np.array_equal(got, as_float(SAMPLES[: len(got)]))
    assert ending.truncated
    if name != "a.mkv":  # Matroska states no length of a track that was not closed
        assert ending.missing_s == pytest.approx((FRAMES - len(got)) / files.RATE_HZ, abs=0.04)
    # To the last whole sample: FLAC's blocks are of 4096, a picture's sound is 1/25 s.
    if name in ("a.wav", "a.rf64", "a.w64", "a.aiff"):
        assert (len(got) + 1) * 6 > length - (len(whole) - len(DATA)) - 64


@pytest.mark.parametrize("block_frames", [4_001, 1 << 16])
def test_a_cut_flac_file_is_read_to_its_last_whole_block(block_frames: int, tmp_path: Path) -> None:
    path = make("a.flac", tmp_path)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 4 // 5])
    with open_recording([path]) as recording:
        frames = sum(map(len, recording.blocks(block_frames)))
    # Blocks of 4096 of noise, which does not shrink: 4 of 5.86 lie whole in four fifths.
    assert frames == 4 * 4_096


@pytest.mark.parametrize("seed", range(40))
@pytest.mark.parametrize("name", [*LOSSLESS, "a.mp4", "a.ts"])
def test_damaged_bytes_give_samples_or_one_line(name: str, seed: int, tmp_path: Path) -> None:
    path = make(name, tmp_path)
    data, chance = bytearray(path.read_bytes()), random.Random(seed)
    reach = chance.choice([64, 512, 4_096, len(data)])
    for _ in range(chance.choice([1, 4, 40])):
        data[chance.randrange(min(reach, len(data)))] = chance.randrange(256)
    length = chance.choice([len(data), chance.randrange(1, len(data))])
    path.write_bytes(data[:length])
    try:
        got, _ = read(path)
    except RecordingError as error:
        assert "\n" not in str(error)
    else:
        assert len(got)


@pytest.mark.parametrize("kind", ["zero", "all ones", "RF64 zero", "RF64 all ones"])
def test_a_wav_whose_length_was_never_written_is_read_to_its_end(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    if kind.startswith("RF64"):
        length = 0 if kind.endswith("zero") else 0xFFFFFFFFFFFFFFFF - 100
        ds64 = files.chunk(b"ds64", struct.pack("<QQQI", 0, min(length + 100, 2**64 - 1), 0, 0))
        if kind.endswith("zero"):
            ds64 = files.chunk(b"ds64", bytes(28))
        path.write_bytes(
            b"RF64" + b"\xff" * 4 + b"WAVE" + ds64 + FORM + b"data" + b"\xff" * 4 + DATA
        )
    else:
        length = 0 if kind == "zero" else 0xFFFFFFFF
        path.write_bytes(files.wave(DATA, FORM, length=length))
    got, ending = read(path)
    assert np.array_equal(got, as_float(SAMPLES))
    assert ending.truncated
    assert ending.missing_s is None
    assert "never written" in ending.notes[0]


FRAGMENTS = {"movflags": "frag_keyframe+empty_moov+default_base_moof"}
STREAMED = ["a.ogg", "a.opus", "a.ts", "a.m2ts", "fragments.mp4", "fragments.mov"]


def streamed(name: str, folder: Path) -> Path:
    """Write ``SAMPLES`` as a file whose header does not say how much there is."""
    path = folder / name
    if path.suffix in (".ogg", ".opus"):
        coding = "OPUS" if path.suffix == ".opus" else "VORBIS"
        # Pages hold up to a second of sound, and a page that is not whole holds none.
        return files.write_soundfile(path, noise(8 * FRAMES), coding, "OGG")
    if name.startswith("fragments"):
        coding = "aac" if path.suffix == ".mp4" else "pcm_s24le"
        return files.write_av(path, [SAMPLES], coding, picture="mpeg4", options=FRAGMENTS)
    return files.write_av(path, MONOS, "aac", picture="mpeg2video")


@pytest.mark.parametrize("name", STREAMED)
def test_a_streamed_file_that_is_whole_is_not_cut_short(name: str, tmp_path: Path) -> None:
    _, ending = read(streamed(name, tmp_path))
    assert not ending.truncated
    assert ending.missing_s is None


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("name", STREAMED)
def test_a_streamed_file_cut_anywhere_is_said_to_be(name: str, seed: int, tmp_path: Path) -> None:
    path = streamed(name, tmp_path)
    whole = path.read_bytes()
    length = random.Random(seed).randrange(len(whole) * 2 // 5, int(len(whole) * 0.97))
    path.write_bytes(whole[:length])
    got, ending = read(path)
    assert len(got)
    assert ending.truncated


def test_a_transport_stream_cut_between_packets_misses_the_end_of_its_sound(
    tmp_path: Path,
) -> None:
    path = streamed("a.ts", tmp_path)
    whole = path.read_bytes()
    # In packets of 188 bytes (ISO/IEC 13818-1) only the last piece of sound tells of the cut.
    packets = len(whole) // 188
    cuts = []
    for count in range(packets // 2, packets):
        path.write_bytes(whole[: count * 188])
        cuts.append(read(path)[1].truncated)
    assert any(cuts)
    assert not all(cuts)  # behind a whole piece of sound nothing tells


def test_a_wav_that_promises_more_says_how_much_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(files.wave(DATA, FORM, length=len(DATA) + 6 * 2 * files.RATE_HZ))
    got, ending = read(path)
    assert len(got) == FRAMES
    assert ending.truncated
    assert ending.missing_s == 2.0


def test_a_cut_sample_at_the_end_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(files.wave(DATA[:-1], FORM))
    got, _ = read(path)
    assert np.array_equal(got, as_float(SAMPLES[:-1]))


def test_chunks_after_the_sound_are_not_sound(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(files.wave(DATA, FORM, after=files.chunk(b"LIST", bytes(5_000))))
    got, ending = read(path)
    assert len(got) == FRAMES
    assert not ending.truncated


def test_sound_beyond_four_gibibytes_is_found(tmp_path: Path) -> None:
    # A chunk of 4 GiB before the sound, a hole on the disk, puts it where 32 bits do not reach.
    path, hole = tmp_path / "a.rf64", 0xFFFFFFF0
    data = DATA[:6_000]
    ds64 = files.chunk(b"ds64", struct.pack("<QQQI", hole + 9_000, len(data), 0, 0))
    with path.open("wb") as file:
        file.write(b"RF64" + b"\xff" * 4 + b"WAVE" + ds64 + b"JUNK" + struct.pack("<I", hole))
        file.seek(hole, os.SEEK_CUR)
        file.write(FORM + b"data" + b"\xff" * 4 + data)
    got, ending = read(path)
    assert path.stat().st_size > 2**32
    assert np.array_equal(got, as_float(SAMPLES[:1_000]))
    assert not ending.truncated


def test_an_rf64_file_over_four_gibibytes_is_read_to_its_true_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Silence that takes no room on the disk, and a second of sound beyond 4 GiB.
    path, channels, block = tmp_path / "a.rf64", 16, 1 << 16
    silent = (2**32 // (channels * 3) // block + 1) * block
    last = noise(1_000, channels)
    size = (silent + len(last)) * channels * 3
    head = files.wave_64(b"RF64", b"", files.wave_format(channels, rate_hz=96_000), length=size)
    with path.open("wb") as file:
        file.write(head)
        file.seek(silent * channels * 3, os.SEEK_CUR)
        file.write(packed_24(last))
    # Unpacking and hashing 4 GiB of zeros takes 10 s and is tested elsewhere; reading them is not.
    really, zeros = WavReader._decode, np.zeros((block, channels), np.float32)

    def quick(reader: WavReader, buffer: bytearray, frames: int) -> np.ndarray:
        return zeros if frames == block else really(reader, buffer, frames)

    monkeypatch.setattr(WavReader, "_decode", quick)
    frames = 0
    with open_recording([path]) as recording:
        for got in recording.blocks(block):
            frames += len(got)
        ending = recording.ending()
    assert path.stat().st_size > 2**32
    assert frames == ending.frames == silent + len(last)
    assert np.array_equal(got, as_float(last))
    assert ending.duration_s == pytest.approx(frames / 96_000)
    assert not ending.truncated


def test_an_rf64_file_over_four_gibibytes_that_was_cut_says_how_much_is_missing(
    tmp_path: Path,
) -> None:
    path, promised = tmp_path / "a.rf64", 3 * 2**32 // 6 // 2 * 2
    with path.open("wb") as file:
        file.write(files.wave_64(b"RF64", b"", FORM, length=promised * 6))
        file.write(DATA)
    got, ending = read(path)
    assert np.array_equal(got, as_float(SAMPLES))
    assert ending.truncated
    assert ending.missing_s == pytest.approx((promised - FRAMES) / files.RATE_HZ)


@pytest.mark.parametrize("kind", ["RF64", "BW64", "WAV with a length that ran over"])
def test_lengths_over_four_gibibytes_are_understood(kind: str, tmp_path: Path) -> None:
    path, frames = tmp_path / "a.wav", 800_000_000
    size = frames * 6  # 4.8 GB, a hole on the disk
    if kind.startswith("WAV"):
        head = files.wave(b"", FORM, length=size % 2**32)
    else:
        head = files.wave_64(kind.encode(), b"", FORM, length=size)
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + size)
    with open_recording([path]) as recording:
        assert recording.info.promised_frames == frames


def test_a_mov_without_its_index_says_what_happened(tmp_path: Path) -> None:
    path = files.write_av(tmp_path / "a.mov", MONOS, picture="mpeg4")
    whole = path.read_bytes()
    path.write_bytes(whole[: whole.rindex(b"moov") - 4])
    assert "never finished" in complaint(path)


@pytest.mark.parametrize("name", ["a.mxf", "a.mkv", "a.avi"])
def test_what_the_disk_held_when_the_battery_died_is_read(name: str, tmp_path: Path) -> None:
    died = tmp_path / name
    long, picture = noise(96_000, bits=16), "mpeg2video" if name == "a.mxf" else "mpeg4"
    files.write_av(tmp_path / f"whole-{name}", [long], "pcm_s16le", picture=picture, died=died)
    got, ending = read(died)
    assert len(got) > 24_000
    assert np.array_equal(got, as_float(long[: len(got)]))
    assert ending.truncated
    assert ending.missing_s is None
    assert not read(tmp_path / f"whole-{name}")[1].truncated


@pytest.mark.parametrize(
    ("form", "reason"),
    [
        (files.wave_format(2, rate_hz=7_999), "7999 Hz"),
        (files.wave_format(2, rate_hz=192_001), "192001 Hz"),
        (files.wave_format(2, rate_hz=0), "0 Hz"),
        (files.wave_format(0), "no sound"),
        (files.wave_format(300), "300 channels"),
        (files.wave_format(2, bits=0), "cannot be read"),
        (files.wave_format(2, tag=0x7777), "cannot be read"),
        (b"", "holds no sound"),
    ],
)
def test_a_header_that_cannot_be_true_is_refused(form: bytes, reason: str, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(files.wave(DATA[:600], form))
    assert reason in complaint(path)


@pytest.mark.parametrize(
    ("place", "value"),
    [(12, 44_100), (16, 96_000 * 6), (20, 5), (10, 3)],
    ids=["rate", "bytes a second", "bytes a frame", "channels"],
)
def test_a_header_that_contradicts_itself_is_noted(place: int, value: int, tmp_path: Path) -> None:
    # Places in the ``fmt`` chunk: channels 10, rate 12, bytes a second 16, bytes a frame 20.
    form = bytearray(FORM)
    width = 4 if place in (12, 16) else 2
    form[place : place + width] = value.to_bytes(width, "little")
    path = tmp_path / "a.wav"
    path.write_bytes(files.wave(DATA, bytes(form)))
    got, ending = read(path)
    assert len(got)
    assert any("header contradicts itself" in note for note in ending.notes)
    path.write_bytes(files.wave(DATA, FORM))
    assert read(path)[1].notes == ()


@pytest.mark.parametrize("rate_hz", [8_000, 192_000])
def test_the_lowest_and_highest_rates_are_read(rate_hz: int, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(files.wave(DATA, files.wave_format(2, rate_hz=rate_hz)))
    with open_recording([path]) as recording:
        assert recording.info.sample_rate_hz == rate_hz


def test_what_is_no_recording_is_called_what_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    assert "no file" in complaint(path)
    path.mkdir()
    assert "folder" in complaint(path)
    path = tmp_path / "b.wav"
    path.write_bytes(b"")
    assert "empty" in complaint(path)
    path.write_text("Zítra v devět u dolních vrat, Žofie.\n" * 9, "utf-8")
    assert "text file" in complaint(path)
    path.write_bytes(files.wave(b"", FORM))
    assert "not one sample" in complaint(path)
    path.write_bytes(bytes(10_000))
    assert "not a recording" in complaint(path)
    path.write_bytes(random.Random(1).randbytes(10_000))
    assert "not a recording" in complaint(path)


def test_a_picture_and_a_film_without_sound_are_refused(tmp_path: Path) -> None:
    picture = tmp_path / "a.jpg"
    with av.open(picture, "w", format="mjpeg") as container:
        stream = container.add_stream("mjpeg", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuvj420p"
        frame = av.VideoFrame.from_ndarray(np.full((96, 64), 128, np.uint8), "yuvj420p")
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    assert "picture" in complaint(picture)
    assert "no sound" in complaint(files.write_av(tmp_path / "a.mov", [], picture="mpeg4"))


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "pipe.wav"
    os.mkfifo(path)
    assert "not a file" in complaint(path)


def test_a_playlist_opens_no_other_file(tmp_path: Path) -> None:
    # FFmpeg reads such lists and opens what they name; only the file itself may be read here.
    good = tmp_path / "a.ts"
    files.write_av(good, [SAMPLES], "aac", picture="mpeg2video")
    path = tmp_path / "list.m3u8"
    path.write_text(f"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\n{good}\n#EXT-X-ENDLIST\n")
    assert "text file" in complaint(path)
    path.write_text(f"ffconcat version 1.0\nfile '{good}'\n")
    assert "text file" in complaint(path)


def test_samples_that_are_no_numbers_come_through(tmp_path: Path) -> None:
    values = np.array([[np.nan, 1.5], [np.inf, -np.inf]], "<f4")
    path = tmp_path / "a.wav"
    path.write_bytes(files.wave(values.tobytes(), files.wave_format(2, bits=32, tag=3)))
    got, _ = read(path)
    assert np.array_equal(got, values, equal_nan=True)


def test_a_whole_avi_file_is_as_long_as_the_samples_it_counts(tmp_path: Path) -> None:
    """By the time its header tells, FFmpeg's own file would lack half a percent of its sound."""
    path = files.write_av(tmp_path / "a.avi", [noise(288_000, 2, 16)], "pcm_s16le")
    samples, ending = read(path)
    assert len(samples) == 288_000
    assert not ending.truncated
    cut = tmp_path / "cut.avi"
    cut.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert read(cut)[1].truncated
