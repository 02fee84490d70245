"""One family of errors. Expected trouble (a refusal, a trip) is data, never an exception."""


class WardianError(Exception):
    """Base of everything this program raises on purpose; its text is fit to show to a person."""


class SettingsError(WardianError, ValueError):
    """A plan or chamber file is not usable; ``sentences`` holds one sentence for each fault found."""

    def __init__(self, sentences: tuple[str, ...]) -> None:
        super().__init__("\n".join(sentences))
        self.sentences = sentences


class ChamberError(WardianError, OSError):
    """A sensor, pin, bus or serial line could not be opened or answered wrongly."""


class JournalError(WardianError, OSError):
    """The journal could not be opened, read or written."""


class ParcelError(JournalError):
    """A parcel could not be sealed, read or delivered, or is not what it says it is."""
