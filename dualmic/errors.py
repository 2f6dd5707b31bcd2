"""The errors this package raises for things a file or a user can cause.

Each message is one sentence or two that say what was asked, what was found and what to do; the
command line prints it as it is and exits with status 2.

    DualmicError
      RecordingError      a file that cannot be opened or read as sound
      SettingsError       a settings or delivery-spec file with a wrong key or value
      UsageError          a request that does not fit the recording (a channel that is not there)
      ReportError         a report that cannot be written where it was asked for
"""


class DualmicError(Exception):
    """Base of every error the package raises on purpose."""


class RecordingError(DualmicError):
    """A file cannot be opened or read as sound."""


class SettingsError(DualmicError):
    """A settings file or a delivery spec has a wrong key or value."""


class UsageError(DualmicError):
    """A request does not fit the recording, such as a channel number that is not there."""


class ReportError(DualmicError):
    """A report cannot be written where it was asked for."""
