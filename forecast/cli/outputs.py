"""What may be written over: only what the same command wrote, never a log or another file."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from forecast._files import Mark, check_not_lost, is_json_with
from forecast.cli.files import check_can_write
from forecast.errors import RequestError

__all__ = [
    "check_folder",
    "check_json_output",
    "check_output",
    "check_register",
]


def check_output(path: Path, *, what: str, known: Mark) -> None:
    """Raise RequestError, before long work, when ``path`` cannot or must not be written.

    ``known`` says of a file's content that this command wrote it.
    """
    check_can_write(path)
    check_not_lost(path, what=what, known=known)


def check_json_output(path: Path, *kinds: str, what: str) -> None:
    """Raise RequestError unless ``path`` is free, or holds JSON of one of the kinds."""
    check_output(path, what=what, known=is_json_with("kind", *kinds))


def check_register(path: Path) -> None:
    """Raise RequestError unless ``path`` is free, or a register of promises to append to."""
    from forecast.forecaster import holds_promises

    check_output(path, what="a register of promises", known=holds_promises)


def check_folder(folder: Path, names: Iterable[str], *, what: str, mark: Mark, by: str) -> None:
    """Raise RequestError when files in ``folder`` would be lost that are not of this command.

    Parameters
    ----------
    folder : Path
        Where to write; it need not be there yet.
    names : iterable of str
        The files that will be written into it.
    what : str
        What such a folder is called, for example "a tour".
    mark : callable
        Says of the content of the file ``by`` whether this command wrote it.
    by : str
        The name of the file that tells.
    """
    if folder.exists() and not folder.is_dir():
        raise RequestError(f"{folder} is a file.", "Name a folder.")
    taken = [name for name in names if (folder / name).exists()]
    telling = folder / by
    if taken and not (telling.is_file() and mark(telling.read_bytes())):
        raise RequestError(
            f"{folder} has a {taken[0]} already and is not {what}: it would be lost.",
            "Name another folder.",
        )
