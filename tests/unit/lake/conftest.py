"""A lake made of the files that a test names."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.lake.find import take_stock
from pipeline.lake.read_records import read_records
from pipeline.lake.reading import Reading

MakeLake = Callable[[dict[str, str | bytes]], Path]
ReadOne = Callable[..., Reading]


@pytest.fixture
def make_lake(tmp_path: Path) -> MakeLake:
    def make(files: dict[str, str | bytes]) -> Path:
        for name, content in files.items():
            path = tmp_path / "lake" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        return tmp_path / "lake"

    return make


@pytest.fixture
def read_one(make_lake: MakeLake) -> ReadOne:
    """Read a single file of a source, with the source's form where one is given."""

    def read(content: str | bytes, name: str = "vehicles.csv", form: str = "") -> Reading:
        files: dict[str, str | bytes] = {f"north/{name}": content}
        if form:
            files["north/source.toml"] = form
        stock = take_stock(make_lake(files))
        return read_records(stock.files[0], stock.forms["north"])

    return read
