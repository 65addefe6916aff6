"""Which files lie below a folder, and what is wrong with those that cannot be taken."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

NO_TEXT = "its name is not UTF-8; rename it"


def files_below(folder: Path, above: frozenset[str] = frozenset()) -> Iterator[tuple[Path, str]]:
    """Yield every file that is not hidden with what is wrong with it; a link that leads back up is not followed."""
    real = os.path.realpath(folder)
    if real in above:
        yield folder, "the link leads back to a folder above it"
        return
    try:
        with os.scandir(folder) as listed:
            entries = sorted(listed, key=lambda entry: entry.name)
    except OSError as error:
        yield folder, f"the folder cannot be opened ({error.strerror or error})"
        return
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if not is_text(entry.name):
            yield Path(entry.path), NO_TEXT
        elif entry.is_dir():
            yield from files_below(Path(entry.path), above | {real})
        elif entry.is_file():
            yield Path(entry.path), ""
        else:
            yield (
                Path(entry.path),
                "the link leads nowhere" if entry.is_symlink() else "it is not a plain file",
            )


def is_text(name: str) -> bool:
    """Say whether a name is text; one in an encoding other than the system's is not."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def as_text(name: str) -> str:
    """Write a name that may not be text, its strange bytes as \\xNN."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
