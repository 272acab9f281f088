"""The errors a person is meant to read.

Every error says in one sentence what is wrong, where, and how to mend it. Entry points print that sentence and
end with exit code 2; anything else that escapes is a bug of ours.
"""

__all__ = ["Cancelled", "OssicleError", "said_by", "shortened"]

MOST_LETTERS = 4000
"""So long each part of a sentence is at most; what it quotes of an input may be of any length."""
MOST_OF_A_PLACE = 400


class OssicleError(Exception):
    """Something a person can mend.

    Parameters
    ----------
    what
        What is wrong, as the start of a sentence without its full stop: ``"the folder holds no slices"``.
    where
        The file, folder, option or field concerned.
    mend
        What to do about it, as a clause: ``"give the folder that holds the TIFF files"``.
    """

    def __init__(self, what: str, *, where: object = None, mend: str | None = None) -> None:
        self.what = shortened(what, MOST_LETTERS)
        self.where = None if where is None else shortened(str(where), MOST_OF_A_PLACE)
        self.mend = None if mend is None else shortened(mend, MOST_LETTERS)
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """Return the error as one sentence: ``where: what; mend.``"""
        text = self.what if self.where is None else f"{self.where}: {self.what}"
        if self.mend is not None:
            text = f"{text}; {self.mend}"
        text = " ".join(text.splitlines())  # what is quoted of an input may hold line breaks,
        text = text.encode("utf-8", "backslashreplace").decode()  # and halves of characters, which cannot be printed
        return text if text.endswith((".", "?")) else text + "."


class Cancelled(Exception):
    """The person asked long work to stop; nothing has been written."""


def said_by(error: Exception, limit: int = 240) -> str:
    """Return what a caught error says, for a sentence: a ValueError by itself, others, that say little, by name."""
    said = str(error) if isinstance(error, ValueError) else f"{type(error).__name__}: {error}"
    return shortened(said, limit)


def shortened(text: str, most: int) -> str:
    """Return a text of at most ``most`` letters: where it is longer, its middle is left out.

    >>> shortened("a row of teeth", 9)
    'a ro…eeth'
    """
    half = (most - 1) // 2
    return text if len(text) <= most else f"{text[: most - 1 - half]}…{text[len(text) - half :]}"
