"""Which files of a lake are read, as what, and what is said about the others."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from pipeline.errors import DataStopsRun, WrongUsage
from pipeline.lake.find import take_stock

VEHICLES = "vehicle_id\nV1\n"


def kinds(lake: Path) -> dict[str, str]:
    return {f.file: f.kind for f in take_stock(lake).files}


def test_kinds_are_found_by_prefix_anywhere_below_a_source(make_lake):
    lake = make_lake(
        {
            "north/vehicles.csv": VEHICLES,
            "north/2024/may/Jobs_may.csv.gz": b"",
            "north/traces.jsonl": "",
            "south/samples_1.parquet": b"",
            "south/inspections.ndjson.gz": b"",
            "south/samples.csv.zst": b"",
        }
    )
    assert kinds(lake) == {
        "north/2024/may/Jobs_may.csv.gz": "jobs",
        "north/traces.jsonl": "traces",
        "north/vehicles.csv": "vehicles",
        "south/inspections.ndjson.gz": "inspections",
        "south/samples.csv.zst": "samples",
        "south/samples_1.parquet": "samples",
    }


def test_hidden_files_and_notes_are_passed_over_in_silence(make_lake):
    lake = make_lake(
        {
            "north/vehicles.csv": VEHICLES,
            ".truth/jobs.csv": "",
            "north/.hidden/jobs.csv": "",
            "north/.jobs.csv": "",
            "README.md": "",
            "north/README.txt": "",
            "north/notes.md": "",
        }
    )
    stock = take_stock(lake)
    assert [f.file for f in stock.files] == ["north/vehicles.csv"]
    assert stock.unclaimed == []


def test_other_data_files_are_listed_with_the_reason(make_lake):
    lake = make_lake(
        {
            "jobs.csv": "",
            "north/vehicles.csv": VEHICLES,
            "north/parts.csv": "",
            "north/jobs.xlsx": b"",
            "north/jobs.txt": "",
        }
    )
    told = dict(line.split(": ", 1) for line in take_stock(lake).unclaimed)
    assert told["jobs.csv"].startswith("it lies in the lake itself")
    assert "begins with no kind" in told["north/parts.csv"]
    assert "format is not read by name" in told["north/jobs.xlsx"]
    assert "format is not read by name" in told["north/jobs.txt"]


def test_globs_take_the_place_of_the_prefix_for_their_kind_only(make_lake):
    form = '[jobs]\nfiles = ["orders_*.txt", "more/**/*.csv"]\n[traces]\nfiles = ["none*.csv"]\n'
    lake = make_lake(
        {
            "north/source.toml": form,
            "north/orders_1.txt": "",
            "north/more/a/b/x.csv": "",
            "north/jobs.csv": "",
            "north/vehicles.csv": VEHICLES,
        }
    )
    stock = take_stock(lake)
    assert {f.file: f.kind for f in stock.files} == {
        "north/more/a/b/x.csv": "jobs",
        "north/orders_1.txt": "jobs",
        "north/vehicles.csv": "vehicles",
    }
    assert any(line.startswith("north/jobs.csv: the globs of jobs") for line in stock.unclaimed)
    assert any("no file fits traces.files" in line for line in stock.unclaimed)
    assert stock.files[0].form_sha256 == hashlib.sha256(form.encode()).hexdigest()


def test_a_file_named_by_two_kinds_is_a_contradiction(make_lake):
    lake = make_lake(
        {"a/source.toml": '[jobs]\nfiles = ["*.csv"]\n[vehicles]\nfiles = ["v*.csv"]\n', "a/v.csv": ""}
    )
    with pytest.raises(WrongUsage, match=r"both name v\.csv"):
        take_stock(lake)


def test_the_hash_is_that_of_the_content(make_lake):
    lake = make_lake({"north/vehicles.csv": VEHICLES})
    assert take_stock(lake).files[0].sha256 == hashlib.sha256(VEHICLES.encode()).hexdigest()


def test_links_are_followed_but_not_in_circles(make_lake, tmp_path: Path):
    lake = make_lake({"north/vehicles.csv": VEHICLES, "north/deep/jobs.csv": ""})
    outside = tmp_path / "mounted"
    outside.mkdir()
    (outside / "traces.csv").write_text("")
    (lake / "south").symlink_to(outside, target_is_directory=True)
    (lake / "north/deep/up").symlink_to(lake / "north", target_is_directory=True)
    (lake / "north/jobs_gone.csv").symlink_to(tmp_path / "nowhere.csv")
    stock = take_stock(lake)
    assert {f.file for f in stock.files} == {"north/vehicles.csv", "north/deep/jobs.csv", "south/traces.csv"}
    assert "north/jobs_gone.csv: the link leads nowhere" in stock.unclaimed
    assert "north/deep/up: the link leads back to a folder above it" in stock.unclaimed


def test_a_file_that_may_not_be_opened_is_reported_and_the_rest_goes_on(make_lake, monkeypatch):
    lake = make_lake({"north/vehicles.csv": VEHICLES, "north/jobs.csv": ""})
    real_open = Path.open

    def refuse(self: Path, *args: object, **kwargs: object):
        if self.name == "jobs.csv":
            raise PermissionError(13, "Permission denied")
        return real_open(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refuse)
    stock = take_stock(lake)
    assert [f.file for f in stock.files] == ["north/vehicles.csv"]
    assert stock.unclaimed == ["north/jobs.csv: it cannot be opened (Permission denied)"]


@pytest.mark.parametrize("address", ["s3://bucket/lake", "gs://bucket"])
def test_an_address_is_refused_in_a_plain_sentence(address: str):
    with pytest.raises(WrongUsage, match="local folders only"):
        take_stock(address)


def test_a_missing_lake_and_a_file_as_lake_are_wrong_usage(tmp_path: Path):
    with pytest.raises(WrongUsage, match="does not exist"):
        take_stock(tmp_path / "nowhere")
    (tmp_path / "a").write_text("")
    with pytest.raises(WrongUsage, match="a file, not a folder"):
        take_stock(tmp_path / "a")


def test_a_lake_without_records_stops_the_run_and_says_what_was_left_out(make_lake):
    with pytest.raises(DataStopsRun, match=r"north/letters\.csv: its name begins with no kind"):
        take_stock(make_lake({"north/letters.csv": "x"}))


def test_the_wrong_forms_of_two_sources_are_told_together(make_lake):
    lake = make_lake({"a/source.toml": "x = 1", "a/jobs.csv": "", "b/source.toml": "y = 1", "b/jobs.csv": ""})
    with pytest.raises(WrongUsage) as caught:
        take_stock(lake)
    text = caught.value.as_text()
    assert "a/source.toml" in text
    assert "b/source.toml" in text
