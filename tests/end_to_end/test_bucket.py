"""A lake in a bucket: copied to the output folder, only what is new; the store is moto's server on this machine."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from moto.server import ThreadedMotoServer
from pyarrow import fs

from pipeline.errors import Transient, WrongUsage
from pipeline.lake.bucket import fetch, place_below
from pipeline.settings import Settings
from pipeline.steps.check import check_lake
from pipeline.steps.road import whole_road
from pipeline.warehouse.store import open_warehouse
from tests.end_to_end.small_lake import JOBS, write_small_lake

ADDRESS = "s3://fleet/exports/lake"


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    running = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    running.start()
    yield "http://{}:{}".format(*running.get_host_and_port())
    running.stop()


@pytest.fixture
def store(server: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[fs.S3FileSystem]:
    for name, value in {
        "AWS_ACCESS_KEY_ID": "nobody",
        "AWS_SECRET_ACCESS_KEY": "nothing",
        "AWS_REGION": "us-east-1",
        "AWS_ENDPOINT_URL": server,
        "AWS_EC2_METADATA_DISABLED": "true",
    }.items():
        monkeypatch.setenv(name, value)
    made = fs.S3FileSystem(
        endpoint_override=server, region="us-east-1", allow_bucket_creation=True, allow_bucket_deletion=True
    )
    made.create_dir("fleet")
    yield made
    made.delete_dir("fleet")


def put(store: fs.S3FileSystem, path: str, content: bytes) -> None:
    with store.open_output_stream(f"fleet/exports/lake/{path}") as out:
        out.write(content)


def put_small_lake(store: fs.S3FileSystem, place: Path) -> None:
    for path in write_small_lake(place).iterdir():
        put(store, f"own/{path.name}", path.read_bytes())


def told() -> tuple[list[str], Callable[[str], None]]:
    lines: list[str] = []
    return lines, lines.append


def test_a_lake_in_a_bucket_is_run_and_only_news_are_fetched(store: fs.S3FileSystem, tmp_path: Path) -> None:
    put_small_lake(store, tmp_path / "source")
    put(store, ".truth/jobs.csv", b"never fetched")
    lines, tell = told()
    first = whole_road(ADDRESS, tmp_path / "out", Settings(), tell)
    assert (first.n_files, first.n_read_files) == (5, 5)
    assert f"fetching 5 of 5 files from {ADDRESS}" in lines
    assert not (tmp_path / "out" / "lake_copy" / ".truth").exists()
    with open_warehouse(tmp_path / "out" / "warehouse.duckdb") as warehouse:
        assert warehouse.table("audit.runs")["lake"].to_list() == [ADDRESS]
        assert set(warehouse.table("core.jobs")["file"]) == {"own/jobs.csv"}
    time.sleep(1.1)  # the store keeps times in whole seconds
    put(store, "own/jobs.csv", JOBS.replace("north", "west").encode())
    lines, tell = told()
    second = whole_road(ADDRESS, tmp_path / "out", Settings(), tell)
    assert second.n_read_files == 1
    assert f"fetching 1 of 5 files from {ADDRESS}" in lines
    with open_warehouse(tmp_path / "out" / "warehouse.duckdb") as warehouse:
        assert set(warehouse.table("core.jobs")["shop_id"]) == {"west", "south"}


def test_check_reads_a_bucket_and_leaves_nothing(store: fs.S3FileSystem, tmp_path: Path) -> None:
    put_small_lake(store, tmp_path / "source")
    report = check_lake(ADDRESS, Settings(), lambda line: None)
    assert report.stop is None
    assert report.files["n_read"].sum() > 0


def test_a_copy_follows_what_is_gone_and_what_was_damaged(store: fs.S3FileSystem, tmp_path: Path) -> None:
    put(store, "a/jobs.csv", b"one")
    put(store, "b/deep/jobs.csv", b"two")
    fetch(ADDRESS, tmp_path / "copy")
    assert (tmp_path / "copy" / "b" / "deep" / "jobs.csv").read_bytes() == b"two"
    (tmp_path / "copy" / "a" / "jobs.csv").write_bytes(b"cut")
    store.delete_file("fleet/exports/lake/b/deep/jobs.csv")
    fetch(ADDRESS, tmp_path / "copy")
    assert (tmp_path / "copy" / "a" / "jobs.csv").read_bytes() == b"one"
    assert not (tmp_path / "copy" / "b").exists()


@pytest.mark.parametrize(
    "name", ["lake/a/../../../jobs.csv", "lake/../jobs.csv", "lake//etc/jobs.csv", "lake/"]
)
def test_a_name_that_leads_out_of_the_folder_is_refused(name: str) -> None:
    with pytest.raises(WrongUsage, match="cannot be kept"):
        place_below(name, "lake", ADDRESS)


@pytest.mark.parametrize("address", ["s3://nobody/lake", "s3://fleet/nothing/here", "s3:///"])
def test_a_missing_bucket_or_prefix_is_wrong_usage(
    store: fs.S3FileSystem, tmp_path: Path, address: str
) -> None:
    with pytest.raises(WrongUsage):
        fetch(address, tmp_path / "copy")


def test_a_store_that_does_not_answer_may_be_tried_again(
    store: fs.S3FileSystem, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    with pytest.raises(Transient, match="try again"):
        fetch(ADDRESS, tmp_path / "copy")
