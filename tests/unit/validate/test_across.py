"""What the lake as a whole says: one record for one key, and what a record refers to was accepted."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.contract.fields import ALL_KINDS
from pipeline.lake.reading import MISREAD_SCHEMA, record_schema
from pipeline.validate.across import Admission, admit
from pipeline.validate.recordings import SamplesDoor
from tests.unit.validate.test_door import INSPECTION, JOB, VEHICLE


def _placed(kind: str, *rows: dict[str, Any], file: str = "a/x.csv") -> pl.DataFrame:
    placed = [{"source_id": "a", "file": file, "row": n, **row} for n, row in enumerate(rows, 1)]
    return pl.DataFrame(placed, schema=record_schema(kind))


def _admit(kind: str, frame: pl.DataFrame, **accepted: pl.DataFrame) -> Admission:
    known = {name: pl.DataFrame(schema=record_schema(name)) for name in ALL_KINDS} | accepted
    return admit(ALL_KINDS[kind], frame, known)


def test_a_repeat_is_a_duplicate_and_a_contradiction_is_held() -> None:
    """The first stands; the same again is a duplicate; the same key with other content is held."""
    frame = _placed("vehicles", VEHICLE, VEHICLE, {**VEHICLE, "model": "Moss"})
    admission = _admit("vehicles", frame)
    assert admission.accepted["row"].to_list() == [1]
    assert admission.duplicates.rows() == [("a/x.csv", 2)]
    assert admission.problems.select("row", "rule").rows() == [(3, "unique")]
    assert "a/x.csv record 1" in admission.problems["reason"][0]


def test_the_order_of_files_is_that_of_their_paths() -> None:
    """Whatever order frames come in, the first by path stands."""
    late = _placed("vehicles", {**VEHICLE, "model": "Moss"}, file="b/x.csv")
    early = _placed("vehicles", VEHICLE, file="a/x.csv")
    for frames in ((late, early), (early, late)):
        assert _admit("vehicles", pl.concat(frames)).accepted["file"].to_list() == ["a/x.csv"]


def test_a_reference_must_be_to_an_accepted_record() -> None:
    """A job and an inspection of an unknown vehicle are held."""
    vehicles = _placed("vehicles", VEHICLE)
    jobs = _placed("jobs", JOB, {**JOB, "job_id": "J2", "vehicle_id": "V9"})
    assert _admit("jobs", jobs, vehicles=vehicles).problems.select("row", "rule").rows() == [(2, "reference")]
    inspections = _placed("inspections", {**INSPECTION, "vehicle_id": "V9"})
    assert _admit("inspections", inspections, vehicles=vehicles).accepted.height == 0


def test_a_trace_finds_its_vehicle_through_its_job() -> None:
    """Without a vehicle of its own it takes the job's; without either, or with another, it is held."""
    vehicles, jobs = _placed("vehicles", VEHICLE, {**VEHICLE, "vehicle_id": "V2"}), _placed("jobs", JOB)
    trace = {"stage": "routine", "recorded_at": JOB["opened_at"]}
    traces = _placed(
        "traces",
        {**trace, "trace_id": "T1", "job_id": "J1"},
        {**trace, "trace_id": "T2"},
        {**trace, "trace_id": "T3", "job_id": "J1", "vehicle_id": "V2"},
        {**trace, "trace_id": "T4", "job_id": "J9"},
    )
    admission = _admit("traces", traces, vehicles=vehicles, jobs=jobs)
    assert admission.accepted.select("trace_id", "vehicle_id").rows() == [("T1", "V1")]
    told = admission.problems.select("row", "rule", "column").rows()
    assert told == [
        (2, "required", "vehicle_id"),
        (3, "vehicle_agrees", "vehicle_id"),
        (4, "reference", "job_id"),
    ]


def _samples(*points: tuple[str, float, float], file: str = "a/s.csv") -> pl.DataFrame:
    rows = [
        {"trace_id": t, "t_s": s, "tank_pressure_pa": p, "purge_duty_pct": 0.0, "is_vent_closed": False}
        for t, s, p in points
    ]
    return _placed("samples", *rows, file=file)


def _door() -> SamplesDoor:
    refused = pl.DataFrame({"trace_id": ["R"], "why__": ["; its header was refused: no job"]})
    return SamplesDoor(pl.DataFrame({"trace_id": ["T"]}), refused)


NOTHING = pl.DataFrame(schema=MISREAD_SCHEMA)


def test_time_increases_in_a_recording() -> None:
    """A repeat is a duplicate, a contradiction and a step back are held, each under its own rule."""
    frame = _samples(("T", 0, 1), ("T", 1, 2), ("T", 1, 2), ("T", 1, 9), ("T", 0.5, 3), ("T", 2, 4))
    kept, problems, duplicates = _door().judge(frame, NOTHING)
    assert kept["row"].to_list() == [1, 2, 6]
    assert duplicates["row"].to_list() == [3]
    assert problems.select("row", "rule").rows() == [(4, "unique"), (5, "time_order")]


def test_samples_of_a_refused_header_say_why() -> None:
    """The header's own reason stands with its samples."""
    _, problems, _ = _door().judge(_samples(("R", 0, 1), ("Q", 0, 1)), NOTHING)
    assert problems["rule"].to_list() == ["reference", "reference"]
    assert problems["reason"][0].endswith("its header was refused: no job")


def test_a_recording_goes_on_in_the_next_chunk_and_in_the_next_file() -> None:
    """Time is carried from chunk to chunk; going on is no contradiction."""
    door = _door()
    door.judge(_samples(("T", 0, 1), ("T", 1, 2)), NOTHING)
    kept, problems, _ = door.judge(_samples(("T", 2, 3), ("T", 3, 4), file="a/t.csv"), NOTHING)
    assert (kept.height, problems.height) == (2, 0)


def test_a_recording_again_in_another_file() -> None:
    """The same samples again are duplicates; other samples at the same times contradict."""
    door = _door()
    first = (("T", 0.0, 1.0), ("T", 1.0, 2.0))
    door.judge(_samples(*first), NOTHING)
    kept, problems, duplicates = door.judge(_samples(*first, file="a/copy.csv"), NOTHING)
    assert (kept.height, problems.height, duplicates.height) == (0, 0, 2)
    kept, problems, duplicates = door.judge(_samples(("T", 0, 5), ("T", 1, 6), file="b/s.csv"), NOTHING)
    assert (kept.height, set(problems["rule"]), duplicates.height) == (0, {"unique"}, 0)
