"""Opens one file with the reader that its first bytes ask for; the suffix does not count."""

from pathlib import Path

from dualmic.errors import RecordingError
from dualmic.readers.filereader import FileHead, FileReader
from dualmic.readonly import open_read_only, read_ahead

DEFAULT_TIMECODE_RATE = "25"  # our choice: where a file gives a time of day but no frame rate

_WAV_STARTS = (b"RIFF", b"RF64", b"BW64")
_SOUNDFILE_STARTS = (b"fLaC", b"FORM", b"riff", b"caff", b"OggS")


def open_file(path: Path, timecode_rate: str = DEFAULT_TIMECODE_RATE) -> FileReader:
    """Open one file with the reader that its first bytes ask for.

    Raises:
        RecordingError: it cannot be opened or read as sound.

    """
    file = open_read_only(path)
    try:
        start = file.read(12)
        if start[:4] in _WAV_STARTS and start[8:12] == b"WAVE":
            from dualmic.readers.wavfile import open_wav

            read_ahead(file, True)
            reader = open_wav(path, file, timecode_rate)
            if reader is not None:
                return reader
        failed: RecordingError | None = None
        if start[:4] in _SOUNDFILE_STARTS:
            from dualmic.readers.soundfiles import open_soundfile

            read_ahead(file, True)
            try:
                return open_soundfile(path, file)
            except RecordingError as error:
                failed = error
        from dualmic.readers.containers import open_container

        try:
            return open_container(path, file, timecode_rate)
        except RecordingError as error:
            raise failed or error from error
    except BaseException:
        file.close()
        raise


def read_head(path: Path, timecode_rate: str = DEFAULT_TIMECODE_RATE) -> FileHead:
    """Return what a file says of itself, without reading its sound.

    Raises:
        RecordingError: it cannot be opened or read as sound.

    """
    reader = open_file(path, timecode_rate)
    reader.close()
    return reader.head
