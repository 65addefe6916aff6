"""Which format a file has by its name, and its bytes as UTF-8 text, whatever they are packed in."""

from __future__ import annotations

import codecs
import gzip
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.errors import FileUnreadable

#: ends of names -> format; the first group is found by the contract's names, the second only where a glob names it
BY_NAME = {".csv": "delimited", ".jsonl": "json_lines", ".ndjson": "json_lines", ".parquet": "parquet"}
BY_GLOB = BY_NAME | {".txt": "delimited", ".tsv": "delimited", ".json": "json_lines", ".pq": "parquet"}
PACKED = (".gz", ".zst")

BLOCK = 8 << 20


def split_name(name: str) -> tuple[str, str, str]:
    """Split a file's name into stem, end of the format and end of the packing, as in `a`, `.csv`, `.gz`."""
    lower = name.lower()
    packed = next((p for p in PACKED if lower.endswith(p)), "")
    rest = name[: len(name) - len(packed)]
    dot = rest.rfind(".")
    return (rest, "", packed) if dot <= 0 else (rest[:dot], rest[dot:].lower(), packed)


def format_of(name: str, is_named_by_glob: bool) -> str | None:
    """Say how a file of that name is read: `delimited`, `json_lines`, `parquet`, or None where it is not."""
    _, end, packed = split_name(name)
    found = (BY_GLOB if is_named_by_glob else BY_NAME).get(end)
    return None if found == "parquet" and packed else found


@contextmanager
def unreadable(where: str) -> Iterator[None]:
    """Turn what the libraries raise on a damaged file into FileUnreadable with place and way out."""
    try:
        yield
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        what = f"The packed file ends too early or is damaged ({error})."
        raise FileUnreadable(what, where, "Copy or export the file again.") from error
    except OSError as error:
        reason = error.strerror or str(error)
        todo = "Check that the file is there, may be read, and was copied whole."
        raise FileUnreadable(f"The file cannot be read: {reason}.", where, todo) from error


def open_bytes(path: Path) -> Any:
    """Open a file's content unpacked."""
    lower = path.name.lower()
    if lower.endswith(".gz"):
        return gzip.open(path, "rb")
    if lower.endswith(".zst"):
        import pyarrow

        return pyarrow.input_stream(str(path), compression="zstd")
    return path.open("rb")


def utf8_blocks(path: Path, encoding: str, where: str, size: int = BLOCK) -> Iterator[bytes]:
    """Yield a file's text as valid UTF-8 in blocks of about `size` bytes, without its byte order mark.

    Reads only. Every block but the last ends with a line end; nothing is yielded for an empty file.

    Raises
    ------
    FileUnreadable : cut short, not text, or not in the declared encoding; the text names the byte.
    """
    is_utf8 = codecs.lookup(encoding).name in ("utf-8", "ascii", "utf-8-sig")
    pieces = _utf8_pieces if is_utf8 else _decoded_pieces
    rest, is_first, n_lines = b"", True, 0
    with unreadable(where), open_bytes(path) as stream:
        for piece in pieces(stream, encoding, where, size):
            block = rest + piece
            if is_first:
                block, is_first = block.removeprefix(codecs.BOM_UTF8), False
            _refuse_nul(block, n_lines, where)
            cut = block.rfind(b"\n") + 1
            rest = block[cut:]
            if cut:
                yield _checked(block[:cut], n_lines, where)
                n_lines += block.count(b"\n")
        if rest:
            yield _checked(rest, n_lines, where)


def _utf8_pieces(stream: Any, encoding: str, where: str, size: int) -> Iterator[bytes]:
    offset = 0
    while piece := stream.read(size):
        if offset == 0 and piece[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
            todo = 'Declare encoding = "utf-16" in the source.toml.'
            raise FileUnreadable("The file is not UTF-8: it begins as UTF-16 does.", where, todo)
        yield piece
        offset += len(piece)


def _decoded_pieces(stream: Any, encoding: str, where: str, size: int) -> Iterator[bytes]:
    decoder, offset = codecs.getincrementaldecoder(encoding)(), 0
    while True:
        piece = stream.read(size)
        try:
            yield decoder.decode(piece, final=not piece).encode("utf-8")
        except UnicodeDecodeError as error:
            what = f"The file is not {encoding}: byte {offset + error.start + 1} does not belong there."
            raise FileUnreadable(
                what, where, "Declare the source's own encoding in its source.toml."
            ) from error
        if not piece:
            return
        offset += len(piece)


def _refuse_nul(block: bytes, n_lines: int, where: str) -> None:
    if b"\0" in block:
        line = n_lines + block.count(b"\n", 0, block.index(0)) + 1
        todo = "Export it again as text, or declare its encoding in the source.toml."
        raise FileUnreadable(f"The file is not text: there is a NUL byte in line {line}.", where, todo)


def _checked(block: bytes, n_lines: int, where: str) -> bytes:
    """Refuse a block that is not UTF-8; `n_lines` lines came before it."""
    if not block.isascii():
        try:
            block.decode("utf-8")
        except UnicodeDecodeError as error:
            line = n_lines + block.count(b"\n", 0, error.start) + 1
            what = f"The file is not UTF-8: the byte 0x{block[error.start]:02X} in line {line} does not belong there."
            todo = 'Declare the source\'s encoding in its source.toml, for example encoding = "cp1252".'
            raise FileUnreadable(what, where, todo) from error
    return block
