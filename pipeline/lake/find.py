"""Find the files of a lake, by source and kind; says of every data file that is left out why."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.contract.vocabulary import KINDS
from pipeline.errors import DataStopsRun, WrongUsage
from pipeline.lake.folders import NO_TEXT, as_text, files_below, is_text
from pipeline.lake.formats import format_of
from pipeline.lake.source_form import FILE_NAME, KindForm, SourceForm, read_form

_NO_DATA_STEMS = ("readme", "license", "licence", "changelog", "notice")
_NO_DATA_ENDS = (".md", ".toml", ".rst", ".html", ".pdf", ".png", ".jpg", ".jpeg", ".svg", ".sha256", ".md5")


@dataclass(frozen=True)
class LakeFile:
    """One file to read: `file` is its path below the lake with "/", `form_sha256` the hash of its source's form."""

    source_id: str
    kind: str
    path: Path
    file: str
    sha256: str
    form_sha256: str

    @property
    def name_in_source(self) -> str:
        return self.file.removeprefix(f"{self.source_id}/")


@dataclass(frozen=True)
class Stock:
    """What a lake holds: `files` in the order of their paths, `forms` by source, `unclaimed` as "file: reason".

    `unseen` : places that are there and could not be looked into: a closed folder, a link that leads nowhere.
    """

    files: list[LakeFile] = field(default_factory=list)
    forms: dict[str, SourceForm] = field(default_factory=dict)
    unclaimed: list[str] = field(default_factory=list)
    unseen: list[str] = field(default_factory=list)


def take_stock(lake: Path | str) -> Stock:
    """List the files of a lake and hash their content. Reads only.

    Hidden files and folders are passed over, links are followed.

    Raises
    ------
    WrongUsage : no such folder, an address instead of a folder, or a `source.toml` that cannot be used.
    DataStopsRun : the lake has no file that could be read.
    """
    lake = _local_folder(lake)
    stock = Stock()
    problems: list[WrongUsage] = []
    for entry in sorted(lake.iterdir(), key=lambda p: p.name):
        if entry.name.startswith("."):
            continue
        if not is_text(entry.name):
            stock.unclaimed.append(f"{as_text(entry.name)}: {NO_TEXT}")
            continue
        if not entry.is_dir():
            if not _is_no_data(entry.name):
                stock.unclaimed.append(
                    f"{entry.name}: it lies in the lake itself; put it into its source's folder"
                )
            continue
        try:
            _take_source(entry, stock)
        except WrongUsage as problem:
            problems.append(problem)
    _raise_together(problems)
    if not stock.files:
        left_out = "".join(f"\n  - {line}" for line in stock.unclaimed[:20])
        what = "The lake holds no file of records" + (f"; left out were:{left_out}" if left_out else ".")
        todo = f"Name files after their kind ({', '.join(k + '*' for k in KINDS)}) or give globs in a {FILE_NAME}."
        raise DataStopsRun(what, str(lake), todo)
    return stock


def _local_folder(lake: Path | str) -> Path:
    text = str(lake)
    if "://" in text or text.startswith("s3:/"):
        what = "A lake at an address cannot be read: this version reads local folders only."
        raise WrongUsage(what, text, "Copy the files into a folder and name that.")
    folder = Path(lake)
    if not folder.is_dir():
        what = "The lake is a file, not a folder." if folder.exists() else "The lake does not exist."
        raise WrongUsage(what, text, "Name the folder that holds one folder per source.")
    if not os.access(folder, os.R_OK | os.X_OK):
        raise WrongUsage("The lake may not be read.", text, "Ask for the right to read this folder.")
    return folder


def _raise_together(problems: list[WrongUsage]) -> None:
    if len(problems) == 1:
        raise problems[0]
    if problems:
        texts = "\n".join(p.as_text() for p in problems)
        raise WrongUsage(f"The settings of {len(problems)} sources cannot be used.\n{texts}", FILE_NAME)


def _take_source(folder: Path, stock: Stock) -> None:
    source_id = folder.name
    form = read_form(source_id, folder)
    named = _named_by_globs(folder, form)
    n_before = len(stock.files)
    found: list[tuple[str, Path]] = []
    for path, problem in files_below(folder):
        below = as_text(path.relative_to(folder).as_posix())
        if problem:
            stock.unclaimed.append(f"{source_id}/{below}: {problem}")
            stock.unseen.append(f"{source_id}/{below}" if path != folder else source_id)
        elif not _is_no_data(path.name) or below in named:
            found.append((below, path))
    for below, path in sorted(found):
        _claim(source_id, below, path, form, named, stock)
    if len(stock.files) > n_before:
        stock.forms[source_id] = form
    for kind, globs in ((k, f.files) for k, f in form.kinds.items() if f.files):
        if kind not in named.values():
            stock.unclaimed.append(f"{source_id}/{FILE_NAME}: no file fits {kind}.files = {list(globs)}")


def _claim(
    source_id: str, below: str, path: Path, form: SourceForm, named: dict[str, str], stock: Stock
) -> None:
    kind, reason = _kind_of(below, path.name, form, named)
    if kind is not None:
        try:
            sha256 = _hash(path)
        except OSError as error:
            kind, reason = None, f"it cannot be opened ({error.strerror or error})"
            stock.unseen.append(f"{source_id}/{below}")
    if kind is None:
        stock.unclaimed.append(f"{source_id}/{below}: {reason}")
        return
    stock.files.append(LakeFile(source_id, kind, path, f"{source_id}/{below}", sha256, form.sha256))


def _kind_of(below: str, name: str, form: SourceForm, named: dict[str, str]) -> tuple[str | None, str]:
    if below in named:
        fits = format_of(name, is_named_by_glob=True) is not None
        return (named[below], "") if fits else (None, "its format is not read; export it as CSV or Parquet")
    kind = next((k for k in KINDS if name.lower().startswith(k)), None)
    if kind is None:
        return (
            None,
            f"its name begins with no kind ({', '.join(KINDS)}) and no glob of a {FILE_NAME} names it",
        )
    if form.of(kind).files is not None:
        return None, f"the globs of {kind} in the {FILE_NAME} do not name it"
    if format_of(name, is_named_by_glob=False) is None:
        return None, "its format is not read by name; export it as CSV, JSON lines or Parquet"
    return kind, ""


def _named_by_globs(folder: Path, form: SourceForm) -> dict[str, str]:
    """Map the files that globs name to their kind; a file that two kinds name is a contradiction."""
    named: dict[str, str] = {}
    for kind, kind_form in form.kinds.items():
        for below in _fitting(folder, kind_form):
            if named.setdefault(below, kind) != kind:
                what = f"The globs of {named[below]} and of {kind} both name {below}."
                raise WrongUsage(what, form.where, "Make the globs of each kind name its own files only.")
    return named


def _fitting(folder: Path, form: KindForm) -> Iterator[str]:
    for glob in form.files or ():
        for path in folder.glob(glob):
            below = path.relative_to(folder)
            if path.is_file() and not any(part.startswith(".") for part in below.parts):
                yield below.as_posix()


def _is_no_data(name: str) -> bool:
    lower = name.lower()
    return lower.split(".")[0] in _NO_DATA_STEMS or lower.endswith(_NO_DATA_ENDS)


def _hash(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
