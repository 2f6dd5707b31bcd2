"""Every format of the README's table is opened, and plain or lossless sound comes out bit for bit.

The expected checksum is FLAC's own (RFC 9639, section 8.2): MD5 of the samples, little-endian in
whole bytes, channels interleaved; here it is taken from the samples that were written.
"""

import hashlib
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import recording_files as files
from recording_files import Samples, as_float, noise, packed_24

from dualmic.recording import open_recording

FRAMES = 24_007  # no whole number of blocks, packets or picture frames
STEREO = noise(FRAMES)
STEREO_16 = noise(FRAMES, bits=16)
FOUR = noise(FRAMES, channels=4)
EIGHT = noise(FRAMES, channels=8)


def monos(samples: Samples) -> list[Samples]:
    return [samples[:, channel : channel + 1] for channel in range(samples.shape[1])]


def md5(data: bytes) -> str:
    return hashlib.md5(data, usedforsecurity=False).hexdigest()


def md5_16(samples: Samples) -> str:
    return md5((samples >> 16).astype("<i2").tobytes())


def wav(kind: bytes, samples: Samples) -> Callable[[Path], Path]:
    def write(path: Path) -> Path:
        data = packed_24(samples)
        if kind == b"RIFF":
            path.write_bytes(files.wave(data, files.wave_format(samples.shape[1])))
        else:
            path.write_bytes(files.wave_64(kind, data, files.wave_format(samples.shape[1])))
        return path

    return write


def sound(samples: Samples, coding: str, container: str) -> Callable[[Path], Path]:
    return lambda path: files.write_soundfile(path, samples, coding, container)


def tracks(samples: list[Samples], coding: str, **more: object) -> Callable[[Path], Path]:
    return lambda path: files.write_av(path, samples, coding, **more)  # type: ignore[arg-type]


class Format(NamedTuple):
    """A way of writing ``samples``, and what is said of the file. No ``md5``: lossy sound."""

    name: str
    write: Callable[[Path], Path]
    samples: Samples
    container: str
    codec: str
    md5: str | None


MPEG2, MPEG4 = {"picture": "mpeg2video"}, {"picture": "mpeg4"}
S24, S16 = md5(packed_24(STEREO)), md5_16(STEREO_16)
F32 = md5(as_float(STEREO).astype("<f4").tobytes())
FORMATS = [
    Format("a.wav", wav(b"RIFF", STEREO), STEREO, "WAV", "PCM 24 bit", S24),
    Format("a.wav", sound(STEREO_16, "PCM_16", "WAV"), STEREO_16, "WAV", "PCM 16 bit", S16),
    Format(
        "a.wav",
        sound(STEREO, "PCM_32", "WAV"),
        STEREO,
        "WAV",
        "PCM 32 bit",
        md5(STEREO.astype("<i4").tobytes()),
    ),
    Format("a.wav", sound(STEREO, "FLOAT", "WAV"), STEREO, "WAV", "PCM 32 bit float", F32),
    Format(
        "a.wav",
        sound(STEREO, "DOUBLE", "WAV"),
        STEREO,
        "WAV",
        "PCM 64 bit float",
        md5((STEREO / 2.0**31).astype("<f8").tobytes()),
    ),
    Format("a.rf64", wav(b"RF64", STEREO), STEREO, "RF64", "PCM 24 bit", S24),
    Format("a.wav", wav(b"BW64", STEREO), STEREO, "BW64", "PCM 24 bit", S24),
    Format("a.w64", sound(STEREO, "PCM_24", "W64"), STEREO, "W64", "PCM 24 bit", S24),
    Format("a.aiff", sound(STEREO, "PCM_24", "AIFF"), STEREO, "AIFF", "PCM 24 bit", S24),
    Format("a.aiff", sound(STEREO_16, "PCM_16", "AIFF"), STEREO_16, "AIFF", "PCM 16 bit", S16),
    Format("a.caf", sound(STEREO, "PCM_24", "CAF"), STEREO, "CAF", "PCM 24 bit", S24),
    Format("a.flac", sound(STEREO, "PCM_24", "FLAC"), STEREO, "FLAC", "FLAC 24 bit", S24),
    Format("a.flac", sound(STEREO_16, "PCM_16", "FLAC"), STEREO_16, "FLAC", "FLAC 16 bit", S16),
    Format("a.ogg", sound(STEREO, "VORBIS", "OGG"), STEREO, "OGG", "Vorbis or Opus", None),
    Format("a.ogg", sound(STEREO, "OPUS", "OGG"), STEREO, "OGG", "Vorbis or Opus", None),
    Format("a.mov", tracks([STEREO], "pcm_s24le", **MPEG4), STEREO, "MOV", "PCM 24 bit", S24),
    Format("a.mov", tracks([STEREO], "pcm_s24be", **MPEG4), STEREO, "MOV", "PCM 24 bit", S24),
    Format("a.mov", tracks([STEREO_16], "pcm_s16le", **MPEG4), STEREO_16, "MOV", "PCM 16 bit", S16),
    Format("a.mov", tracks([STEREO_16], "pcm_s16be", **MPEG4), STEREO_16, "MOV", "PCM 16 bit", S16),
    Format("a.mov", tracks([STEREO], "pcm_f32le"), STEREO, "MOV", "PCM 32 bit float", F32),
    Format("a.mov", tracks([STEREO], "aac", **MPEG4), STEREO, "MOV", "AAC", None),
    Format("a.mov", tracks(monos(STEREO), "pcm_s24le", **MPEG4), STEREO, "MOV", "PCM 24 bit", S24),
    Format("a.mov", tracks([FOUR], "pcm_s24le"), FOUR, "MOV", "PCM 24 bit", md5(packed_24(FOUR))),
    Format(
        "a.mov",
        tracks([FOUR[:, :2], FOUR[:, 2:]], "pcm_s24le", **MPEG4),
        FOUR,
        "MOV",
        "PCM 24 bit",
        md5(packed_24(FOUR)),
    ),
    Format(
        "a.mov",
        tracks(monos(EIGHT), "pcm_s24le", **MPEG4),
        EIGHT,
        "MOV",
        "PCM 24 bit",
        md5(packed_24(EIGHT)),
    ),
    Format("a.mp4", tracks([STEREO], "pcm_s24le", **MPEG4), STEREO, "MP4", "PCM 24 bit", S24),
    Format("a.mp4", tracks([STEREO], "pcm_s24be", **MPEG4), STEREO, "MP4", "PCM 24 bit", S24),
    Format("a.mp4", tracks([STEREO_16], "pcm_s16le", **MPEG4), STEREO_16, "MP4", "PCM 16 bit", S16),
    Format("a.mp4", tracks([STEREO_16], "pcm_s16be", **MPEG4), STEREO_16, "MP4", "PCM 16 bit", S16),
    Format("a.mp4", tracks([STEREO], "aac", **MPEG4), STEREO, "MP4", "AAC", None),
    Format("a.mp4", tracks(monos(STEREO), "aac", **MPEG4), STEREO, "MP4", "AAC", None),
    Format("a.mp4", tracks([STEREO], "flac"), STEREO, "MP4", "FLAC 24 bit", S24),
    Format("a.m4a", tracks([STEREO], "alac"), STEREO, "M4A", "ALAC 24 bit", S24),
    Format("a.mkv", tracks([STEREO], "pcm_s24le", **MPEG4), STEREO, "Matroska", "PCM 24 bit", S24),
    Format("a.mkv", tracks(monos(STEREO), "flac"), STEREO, "Matroska", "FLAC 24 bit", S24),
    Format("a.mkv", tracks([STEREO], "aac", **MPEG4), STEREO, "Matroska", "AAC", None),
    Format("a.avi", tracks([STEREO_16], "pcm_s16le", **MPEG4), STEREO_16, "AVI", "PCM 16 bit", S16),
    Format("a.mts", tracks([STEREO], "aac", **MPEG2), STEREO, "MPEG transport stream", "AAC", None),
]


def named(form: Format) -> str:
    return f"{form.container}-{form.codec}-{form.samples.shape[1]}".replace(" ", "_")


@pytest.mark.parametrize("form", FORMATS, ids=named)
def test_a_format_is_read(form: Format, tmp_path: Path) -> None:
    path = form.write(tmp_path / form.name)
    with open_recording([path]) as recording:
        blocks = list(recording.blocks(5_003))
        ending = recording.ending()
    info, got = recording.info, np.concatenate(blocks)
    assert (info.container, info.codec) == (form.container, form.codec)
    assert info.sample_rate_hz == files.RATE_HZ
    assert info.is_lossy == (form.md5 is None)
    assert info.is_float == ("float" in form.codec)
    assert len(info.channels) == form.samples.shape[1]
    assert all(block.dtype == np.float32 and block.flags.c_contiguous for block in blocks)
    assert all(0 < len(block) <= 5_003 for block in blocks)
    assert ending.frames == len(got)
    assert ending.files[0].audio_md5 == form.md5
    assert not ending.truncated
    assert ending.gaps == ()
    if form.md5 is None:
        assert len(got) == pytest.approx(FRAMES, abs=4_096)  # coders' own packets
    else:
        assert info.bit_depth == int("".join(filter(str.isdigit, form.codec)))
        assert np.array_equal(got, as_float(form.samples))


# Each microphone a mono track of its own, pairs, or all in one; MXF has its own test below.
@pytest.mark.parametrize(
    "layout", [[1], [1, 1], [2], [1] * 4, [2, 2], [4], [1] * 8, [4, 4], [8]], ids=str
)
@pytest.mark.parametrize("name", ["a.mov", "a.mp4", "a.mkv"])
def test_camera_files_in_every_layout(name: str, layout: list[int], tmp_path: Path) -> None:
    samples = EIGHT[:, : sum(layout)]
    parts = np.split(samples, np.cumsum(layout)[:-1], axis=1)
    path = files.write_av(tmp_path / name, parts, "pcm_s24le", picture="mpeg4")
    with open_recording([path]) as recording:
        got = np.concatenate(list(recording.blocks(5_003)))
    assert [channel.track for channel in recording.info.channels] == [
        track for track, width in enumerate(layout, start=1) for _ in range(width)
    ]
    assert np.array_equal(got, as_float(samples))


@pytest.mark.parametrize("channels", [1, 2, 4, 8])
@pytest.mark.parametrize(
    "name", ["a.wav", "a.rf64", "a.bw64", "a.w64", "a.aiff", "a.caf", "a.flac"]
)
def test_sound_files_of_one_to_eight_channels(name: str, channels: int, tmp_path: Path) -> None:
    samples, kind = EIGHT[:, :channels], name[2:]
    if kind in ("wav", "rf64", "bw64"):
        path = wav({"wav": b"RIFF"}.get(kind, kind.upper().encode()), samples)(tmp_path / name)
    else:
        path = sound(samples, "PCM_24", kind.upper())(tmp_path / name)
    with open_recording([path]) as recording:
        got = np.concatenate(list(recording.blocks(5_003)))
    assert len(recording.info.channels) == channels
    assert np.array_equal(got, as_float(samples))


# An edit unit of MXF holds the sound of one picture (SMPTE ST 382), so the last is filled up.
@pytest.mark.parametrize("coding", ["pcm_s24le", "pcm_s16le"])
@pytest.mark.parametrize("layout", [[1], [1, 1], [2], [1] * 4, [2, 2], [1] * 8, [4, 4]], ids=str)
def test_mxf_op1a_in_every_layout(layout: list[int], coding: str, tmp_path: Path) -> None:
    samples = noise(FRAMES, sum(layout), bits=16)
    parts = np.split(samples, np.cumsum(layout)[:-1], axis=1)
    path = files.write_av(tmp_path / "a.mxf", parts, coding, picture="mpeg2video")
    with open_recording([path]) as recording:
        got = np.concatenate(list(recording.blocks(5_003)))
    assert recording.info.container == "MXF"
    assert [channel.track for channel in recording.info.channels] == [
        track for track, width in enumerate(layout, start=1) for _ in range(width)
    ]
    assert np.array_equal(got[:FRAMES], as_float(samples))
    assert not got[FRAMES:].any()
    assert len(got) - FRAMES < files.RATE_HZ / 25


def test_the_readme_names_the_formats_that_are_tested() -> None:
    text = (Path(__file__).parents[1] / "README.md").read_text("utf-8")
    if "| File | Sound in it |" not in text:
        pytest.skip("the README has no table of formats")
    rows = text.split("| File | Sound in it |")[1].split("\n\n")[0].splitlines()[2:]
    cells = [row.strip("| ").split("|") for row in rows]
    named = {(c[0].strip(), n.strip()) for c in cells for n in c[1].split(", ")}
    tested = {(form.container, form.codec) for form in FORMATS}
    tested |= {("WAV", "PCM 8 bit"), ("MXF", "PCM 16 bit"), ("MXF", "PCM 24 bit")}  # below
    assert named == tested


def test_eight_bit_wav_is_unsigned_and_its_checksum_is_flacs(tmp_path: Path) -> None:
    values = np.array([[0, 128], [255, 127]], np.uint8)
    path = tmp_path / "a.wav"
    path.write_bytes(files.wave(values.tobytes(), files.wave_format(2, bits=8)))
    with open_recording([path]) as recording:
        (block,) = recording.blocks()
    assert block.tolist() == [[-1.0, 0.0], [127 / 128, -1 / 128]]
    signed = (values.astype(int) - 128).astype(np.int8)
    assert recording.ending().files[0].audio_md5 == md5(signed.tobytes())


def test_the_checksum_of_flac_is_the_one_it_stores(tmp_path: Path) -> None:
    path = files.write_soundfile(tmp_path / "a.flac", STEREO, "PCM_24", "FLAC")
    with open_recording([path]) as recording:
        list(recording.blocks())
    # "fLaC", a block header of 4 bytes, then STREAMINFO, whose last 16 bytes are the MD5.
    assert recording.ending().files[0].audio_md5 == path.read_bytes()[26:42].hex()


@pytest.mark.parametrize("block_frames", [1, 7, 999, FRAMES, 10 * FRAMES])
@pytest.mark.parametrize("name", ["a.wav", "a.mov", "a.mxf", "a.flac"])
def test_the_block_size_changes_nothing(name: str, block_frames: int, tmp_path: Path) -> None:
    samples = noise(1_200)
    path = tmp_path / name
    if name == "a.wav":
        wav(b"RIFF", samples)(path)
    elif name == "a.flac":
        sound(samples, "PCM_24", "FLAC")(path)
    else:
        tracks(monos(samples), "pcm_s24le", **MPEG2)(path)
    with open_recording([path]) as recording:
        blocks = list(recording.blocks(block_frames))
    assert np.array_equal(np.concatenate(blocks)[:1_200], as_float(samples))
    assert {len(block) for block in blocks[:-1]} <= {block_frames}


def test_wav_needs_no_decoder_library(tmp_path: Path) -> None:
    # They take longer to load than a short take takes to read.
    path = wav(b"RIFF", STEREO)(tmp_path / "a.wav")
    code = (
        "import sys; from pathlib import Path; from dualmic.recording import open_recording\n"
        f"list(open_recording([Path({str(path)!r})]).blocks())\n"
        "print([name for name in ('av', 'soundfile', 'scipy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
