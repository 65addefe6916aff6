"""Bring a lake that lies in a bucket (`s3://bucket/prefix`) to a folder: only new and changed files are fetched."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path, PurePosixPath

from pyarrow import fs

from pipeline.errors import EvapfleetError, Transient, WrongUsage

SCHEME = "s3://"
#: Where an S3-compatible store other than the usual one answers; both are customary.
ENDPOINTS = ("AWS_ENDPOINT_URL_S3", "AWS_ENDPOINT_URL")
_TOGETHER = 8
_PIECE = 4 << 20
_AWS_CODE = re.compile(r"AWS Error ([A-Z_]+)")
_REFUSED = (
    "NO_SUCH_BUCKET",
    "ACCESS_DENIED",
    "INVALID_ACCESS_KEY_ID",
    "INVALID_CLIENT_TOKEN_ID",
    "SIGNATURE_DOES_NOT_MATCH",
    "RESOURCE_NOT_FOUND",
)


def is_address(lake: str | Path) -> bool:
    """Say whether a lake is named by an address in a bucket."""
    return str(lake).startswith(SCHEME)


def fetch(address: str, folder: Path, tell: Callable[[str], None] = lambda line: None) -> Path:
    """Make `folder` a copy of what lies below `address`. The bucket is only read.

    A file is fetched where size or time of change differ from the copy's; a copy whose original is gone is deleted.
    Credentials, region and endpoint come from the environment, as is customary for such stores (AWS_ACCESS_KEY_ID,
    AWS_REGION, AWS_ENDPOINT_URL, ...).

    Parameters
    ----------
    address : s3://bucket/prefix.
    folder : kept for this alone; made where it is missing.

    Returns
    -------
    The folder.

    Raises
    ------
    WrongUsage : no bucket or nothing below the prefix, access denied, or a name that cannot be a file's.
    Transient : the store cannot be reached.
    """
    root = address.removeprefix(SCHEME).strip("/")
    if not root:
        raise WrongUsage("the address names no bucket", address, "write it as s3://bucket/prefix")
    store = _store()
    try:
        there = [
            info
            for info in store.get_file_info(fs.FileSelector(root, recursive=True))
            if info.type == fs.FileType.File
        ]
    except OSError as problem:
        raise _told(problem, address) from problem
    wanted = {place_below(info.path, root, address): info for info in there}
    wanted = {place: info for place, info in wanted.items() if not _is_hidden(place)}
    if not wanted:
        raise WrongUsage("nothing lies below the address", address, "name the prefix that holds the sources")
    folder.mkdir(parents=True, exist_ok=True)
    _delete_gone(folder, {folder / place for place in wanted})
    news = {place: info for place, info in wanted.items() if not _is_copy(folder / place, info)}
    if news:
        tell(f"fetching {len(news)} of {len(wanted)} files from {address}")
    try:
        with ThreadPoolExecutor(_TOGETHER) as workers:
            list(workers.map(lambda place: _copy(store, news[place], folder / place), news))
    except OSError as problem:
        raise _told(problem, address) from problem
    return folder


def _store() -> fs.S3FileSystem:
    endpoint = next((os.environ[name] for name in ENDPOINTS if os.environ.get(name)), None)
    region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION")
    return fs.S3FileSystem(endpoint_override=endpoint, region=region, connect_timeout=20)


def place_below(path: str, root: str, address: str) -> str:
    """Return where a file belongs below the folder; a name that would lead out of it is refused."""
    place = path.removeprefix(f"{root}/")
    parts = PurePosixPath(place).parts
    if not parts or place.startswith("/") or any(part in ("..", ".") or "\0" in part for part in parts):
        raise WrongUsage(
            "a file of the bucket has a name that cannot be kept", f"{address}: {path}", "rename it"
        )
    return "/".join(parts)


def _is_hidden(place: str) -> bool:
    """Say whether a run would pass the file over, so that it need not be fetched."""
    return any(part.startswith(".") for part in place.split("/"))


def _is_copy(path: Path, info: fs.FileInfo) -> bool:
    if not path.is_file():
        return False
    stat = path.stat()
    return stat.st_size == info.size and stat.st_mtime_ns == (info.mtime_ns or 0)


def _copy(store: fs.S3FileSystem, info: fs.FileInfo, path: Path) -> None:
    """Copy one file beside its place and put it there whole, with the original's time of change."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    with store.open_input_stream(info.path) as source, part.open("wb") as copy:
        while piece := source.read(_PIECE):
            copy.write(piece)
    os.utime(part, ns=(info.mtime_ns or 0, info.mtime_ns or 0))
    os.replace(part, path)


def _delete_gone(folder: Path, wanted: set[Path]) -> None:
    for path in sorted(folder.rglob("*"), reverse=True):
        if path.is_dir() and not path.is_symlink():
            if not any(path.iterdir()):
                path.rmdir()
        elif path not in wanted:
            path.unlink()


def _told(problem: OSError, address: str) -> EvapfleetError:
    """Tell what the user can mend from what may pass."""
    text = str(problem)
    code = _AWS_CODE.search(text)
    if isinstance(problem, FileNotFoundError) or (code and code[1] in _REFUSED):
        what = f"the bucket does not give the lake ({code[1].lower().replace('_', ' ') if code else 'no such path'})"
        return WrongUsage(what, address, "see to the name, and to the credentials in the environment (AWS_*)")
    if problem.filename:
        raise problem
    return Transient(f"the bucket cannot be read: {text.splitlines()[0][:200]}", address, "try again")
