"""Problems as sound: cut at the right place, from any file, as loud as recorded."""

import io
from pathlib import Path

import av
import msgspec
import numpy as np
import pytest
import sample_records
import soundfile

from dualmic import record as r
from dualmic.report import clips

RATE = 48000
SECONDS = 20
#: Interviewer a steady 300 Hz, subject 700 Hz that grows with time: place and side can be told.
TIME = np.arange(RATE * SECONDS) / RATE
SOUND = np.stack(
    [0.2 * np.sin(2 * np.pi * 300 * TIME), TIME / 80 * np.sin(2 * np.pi * 700 * TIME)], axis=1
).astype(np.float32)


def take(files: int = 1, channels: list[r.Channel] | None = None, joined: bool = False):
    record = sample_records.build(problems=3, duration_s=float(SECONDS))
    part_s = SECONDS / files if joined else float(SECONDS)
    sources = [
        r.SourceFile(f"{n}", 1, n * part_s if joined else 0.0, part_s, None) for n in range(files)
    ]
    replaced = msgspec.structs.replace(record.take, files=sources, sample_rate_hz=RATE)
    return msgspec.structs.replace(record, take=replaced, channels=channels or record.channels)


def movie(path: Path, codec: str) -> Path:
    """A camera's file: each microphone a mono track of its own, beside a picture."""
    with av.open(str(path), "w") as container:
        picture = container.add_stream("mpeg4", rate=25)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        tracks = [container.add_stream(codec, rate=RATE, layout="mono") for _ in range(2)]
        for start in range(0, len(SOUND), 1920):
            frame = av.VideoFrame(64, 48, "yuv420p")
            frame.pts = start // 1920
            container.mux(picture.encode(frame))
            for channel, track in enumerate(tracks):
                block = np.ascontiguousarray(SOUND[start : start + 1920, channel]).reshape(1, -1)
                if codec == "aac":
                    sound = av.AudioFrame.from_ndarray(block, "fltp", "mono")
                else:
                    block = (block * 32767).astype(np.int16)
                    sound = av.AudioFrame.from_ndarray(block, "s16", "mono")
                sound.sample_rate, sound.pts = RATE, start
                container.mux(track.encode(sound))
        for stream in (picture, *tracks):
            container.mux(stream.encode(None))
    return path


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Path]]:
    folder = tmp_path_factory.mktemp("clips")
    for name, subtype in (("a.wav", "PCM_24"), ("b.wav", "FLOAT"), ("c.flac", "PCM_16")):
        soundfile.write(folder / name, SOUND, RATE, subtype)
    for side, name in enumerate(("left.wav", "right.wav")):
        soundfile.write(folder / name, SOUND[:, side], RATE, "PCM_24")
    half = len(SOUND) // 2
    soundfile.write(folder / "part1.wav", SOUND[:half], RATE, "PCM_16")
    soundfile.write(folder / "part2.wav", SOUND[half:], RATE, "PCM_16")
    return {
        "24 bit": [folder / "a.wav"],
        "float": [folder / "b.wav"],
        "flac": [folder / "c.flac"],
        "movie": [movie(folder / "d.mov", "pcm_s16le")],
        "phone": [movie(folder / "e.mp4", "aac")],
        "two files": [folder / "left.wav", folder / "right.wav"],
        "split": [folder / "part1.wav", folder / "part2.wav"],
    }


def record_for(kind: str) -> r.TakeRecord:
    if kind == "two files":
        channels = [
            r.Channel(1, 0, 1, None, "interviewer"),
            r.Channel(2, 1, 1, None, "subject"),
        ]
        return take(2, channels)
    return take(2, joined=True) if kind == "split" else take()


@pytest.mark.parametrize(
    "kind", ["24 bit", "float", "flac", "movie", "phone", "two files", "split"]
)
@pytest.mark.parametrize("start_s", [0.0, 7.3, 9.0, 18.5])
def test_a_stretch_is_found_in_any_file(
    sources: dict[str, list[Path]], kind: str, start_s: float
) -> None:
    end_s = min(start_s + 2.5, SECONDS)
    got = clips.cut(record_for(kind), sources[kind], start_s, end_s)
    wanted = SOUND[round(start_s * RATE) : round(end_s * RATE)]
    assert got.shape == wanted.shape
    # AAC keeps the sound, not the samples, and the ends of a file fade: its middle is compared.
    tolerance, middle = (0.05, slice(4800, -4800)) if kind == "phone" else (1e-4, slice(None))
    assert np.max(np.abs(got[middle] - wanted[middle])) < tolerance


def test_roles_decide_which_side_is_whose(sources: dict[str, list[Path]]) -> None:
    record = take()
    swapped = msgspec.structs.replace(
        record, roles=msgspec.structs.replace(record.roles, interviewer=2, subject=1)
    )
    straight = clips.cut(record, sources["24 bit"], 1.0, 2.0)
    crossed = clips.cut(swapped, sources["24 bit"], 1.0, 2.0)
    assert np.array_equal(straight[:, 0], crossed[:, 1])
    assert not np.array_equal(straight[:, 0], crossed[:, 0])


def test_a_clip_is_a_second_before_and_after_and_as_loud_as_recorded(
    sources: dict[str, list[Path]],
) -> None:
    record = take()
    problem = msgspec.structs.replace(record.problems[0], start_s=8.0, end_s=8.5)
    record = msgspec.structs.replace(record, problems=[problem])
    clip = clips.problem_clips(record, sources["24 bit"])[problem.id]
    assert clip.duration_s == pytest.approx(2.5)
    with av.open(io.BytesIO(clip.content)) as container:
        assert container.streams.audio[0].codec_context.name in ("opus", "libopus")
        blocks = [frame.to_ndarray() for frame in container.decode(audio=0)]
    heard = np.concatenate(blocks, axis=1).reshape(2, -1)
    assert heard.shape[1] / RATE == pytest.approx(2.5, abs=0.05)
    middle = heard[:, RATE : RATE + RATE // 2]
    wanted = SOUND[8 * RATE : 8 * RATE + RATE // 2].T
    levels = 10 * np.log10(np.mean(np.square(middle), axis=1) / np.mean(np.square(wanted), axis=1))
    assert np.all(np.abs(levels) < 0.5)


def test_a_long_problem_is_heard_at_its_beginning() -> None:
    problem = msgspec.structs.replace(take().problems[0], start_s=100.0, end_s=700.0)
    assert clips.span(problem, 1800.0) == (99.0, 107.0)


def test_the_worst_problems_come_first_when_not_all_fit(
    sources: dict[str, list[Path]], monkeypatch: pytest.MonkeyPatch
) -> None:
    record = take()
    severities = ["note", "fail", "warn"]
    problems = [
        msgspec.structs.replace(problem, severity=severity, start_s=3.0 * n + 2, end_s=3.0 * n + 3)
        for n, (problem, severity) in enumerate(zip(record.problems, severities, strict=True))
    ]
    record = msgspec.structs.replace(record, problems=problems)
    everything = clips.problem_clips(record, sources["24 bit"])
    assert sorted(everything) == [1, 2, 3]
    size = max(len(clip.content) for clip in everything.values())
    monkeypatch.setattr(clips, "_BUDGET_BYTES", int(2.5 * size))
    assert sorted(clips.problem_clips(record, sources["24 bit"])) == [2, 3]


@pytest.mark.parametrize("content", [b"", b"no sound in here" * 99, None])
def test_recordings_that_are_gone_or_broken_give_no_clips(tmp_path: Path, content) -> None:
    path = tmp_path / "gone.wav"
    if content is not None:
        path.write_bytes(content)
    assert clips.problem_clips(take(), [path]) == {}


def test_a_source_is_left_as_it_was(sources: dict[str, list[Path]]) -> None:
    path = sources["24 bit"][0]
    before = path.read_bytes(), path.stat().st_mtime_ns
    path.chmod(0o444)
    clips.problem_clips(take(), [path])
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
