"""Writing files whose bytes depend on their content alone: plain, gzip (no time stamp) and Zstandard."""

from __future__ import annotations

import csv
import gzip
import io
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa


def write_bytes(path: Path, data: bytes) -> None:
    """Write `data`, compressed as the name's ending says (.gz, .zst), making folders as needed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".gz":
        data = gzip.compress(data, compresslevel=9, mtime=0)
    elif path.suffix == ".zst":
        sink = pa.BufferOutputStream()
        with pa.CompressedOutputStream(sink, "zstd") as stream:
            stream.write(data)
        data = sink.getvalue().to_pybytes()
    path.write_bytes(data)


def csv_text(
    header: Sequence[str], rows: Iterable[Sequence[Any]], delimiter: str = ",", odd_lines: Sequence[str] = ()
) -> str:
    """Lay out a CSV with a header; null becomes an empty field; `odd_lines` are added as they are."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue() + "".join(f"{line}\n" for line in odd_lines)


def json_lines(frame: pl.DataFrame) -> bytes:
    """Lay out one JSON object per row, without the fields that are null."""
    rows = ({k: v for k, v in row.items() if v is not None} for row in frame.iter_rows(named=True))
    return "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows).encode()


def write_csv(
    path: Path,
    frame: pl.DataFrame,
    names: dict[str, str] | None = None,
    delimiter: str = ",",
    odd_lines: Sequence[str] = (),
    encoding: str = "utf-8",
) -> None:
    """Write a frame of text as CSV; `names` (ours -> theirs) picks and renames the columns."""
    names = names or {c: c for c in frame.columns}
    text = csv_text(list(names.values()), frame.select(list(names)).iter_rows(), delimiter, odd_lines)
    write_bytes(path, text.encode(encoding, errors="replace"))


def write_parquet(path: Path, frame: pl.DataFrame) -> None:
    """Write a frame as Parquet."""
    path.parent.mkdir(parents=True, exist_ok=True)
    frame.write_parquet(path, compression="zstd", compression_level=9)
