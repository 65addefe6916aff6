"""The facts about a whole file that its name and its header lines tell."""

from __future__ import annotations

import re

from pipeline.errors import FileUnreadable
from pipeline.lake.find import LakeFile
from pipeline.lake.formats import split_name
from pipeline.lake.source_form import KindForm


def facts_of(file: LakeFile, form: KindForm, preamble: tuple[str, ...]) -> dict[str, str]:
    """Take fields out of a file's name and its preamble lines; where both tell one, the name stands.

    Returns
    -------
    field -> its words as they came (values not mapped).

    Raises
    ------
    FileUnreadable : the name or the preamble does not fit the pattern of the source.
    """
    told: dict[str, str] = {}
    if form.header_line is not None:
        found = [m for line in preamble for m in form.header_line.finditer(line)]
        if not found:
            raise _misfit(file, "No line before the header fits", "header_line", form.header_line)
        for line_match in reversed(found):
            told |= _groups(line_match)
    if form.file_name is not None:
        match = form.file_name.search(file.path.name) or form.file_name.search(file.name_in_source)
        if match is None:
            raise _misfit(file, "The file's name does not fit", "file_name", form.file_name)
        told |= _groups(match)
    return told


def stem(file: LakeFile) -> str:
    """Return a file's name without its ends (`a.csv.gz` is `a`): the recording's id where nothing else tells it."""
    return split_name(file.path.name)[0]


def _groups(match: re.Match[str]) -> dict[str, str]:
    return {name: word for name, word in match.groupdict().items() if word is not None}


def _misfit(file: LakeFile, what: str, key: str, pattern: re.Pattern[str]) -> FileUnreadable:
    todo = "Rename the file, change its globs or correct the pattern in the source.toml."
    return FileUnreadable(f"{what} the pattern {key} = {pattern.pattern!r}.", file.file, todo)
