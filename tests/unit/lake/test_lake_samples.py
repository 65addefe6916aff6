"""Samples of every manner of source, and the trace headers that recordings carry in their names."""

from __future__ import annotations

import gzip
import io
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import FileUnreadable
from pipeline.lake.find import take_stock
from pipeline.lake.read_samples import is_one_recording, read_samples
from pipeline.lake.reading import Reading, record_schema
from pipeline.lake.recordings import headers_from_recordings

NO_HEADERS = pl.DataFrame(schema={"trace_id": pl.String})
OWN = "trace_id,t_s,tank_pressure_pa,sensor_v,purge_duty_pct,is_vent_closed,engine_rpm\n"
RECORDINGS_FORM = r"""
[source]
time_zone = "America/Phoenix"
[samples]
files = ["recordings/*"]
skip_lines = 2
file_name = '(?P<job_id>J\d+)_(?P<stage>before|after)_(?P<recorded_at>\d{8}T\d{6})'
header_line = 'Fuel: (?P<fuel_level_pct>\d+)|Unit (?P<vehicle_id>V\d+)'
[samples.columns]
t = "Time"
tank_pressure = "FTP (inH2O)"
is_vent_closed = "Vent"
purge_duty_pct = "Purge"
[samples.units]
t = "ms"
[samples.values.stage]
before = "before_repair"
after = "after_repair"
[samples.values.is_vent_closed]
SHUT = true
OPEN = false
"""
RECORDING = "Unit V7\nFuel: 40\nTime,FTP (inH2O),Vent,Purge\n0,0,OPEN,0\n500,-14,SHUT,30\n"


def read(lake: Path, headers: pl.DataFrame = NO_HEADERS, **options: object) -> list[Reading]:
    stock = take_stock(lake)
    files = [f for f in stock.files if f.kind == "samples"]
    return list(read_samples(files, stock.forms[files[0].source_id], headers, **options))  # type: ignore[arg-type]


def only(readings: list[Reading]) -> pl.DataFrame:
    assert len(readings) == 1
    assert dict(readings[0].records.schema) == record_schema("samples")
    return readings[0].records


def test_samples_in_our_names(make_lake):
    lake = make_lake({"a/samples.csv": OWN + "T1,0,-12.5,2.6,0,1,700\nT1,0.1,,2.6,0,maybe,\n"})
    readings = read(lake)
    one, two = only(readings).to_dicts()
    assert (one["trace_id"], one["tank_pressure_pa"], one["is_vent_closed"]) == ("T1", -12.5, True)
    assert one["is_pressure_derived"] is False
    assert (two["row"], two["tank_pressure_pa"], two["is_vent_closed"], two["engine_rpm"]) == (
        2,
        None,
        None,
        None,
    )
    assert readings[0].misread.select("row", "column", "value").rows() == [(2, "is_vent_closed", "maybe")]


def test_one_file_per_recording(make_lake):
    name = "a/recordings/J{}_{}_20240102T030405.csv"
    lake = make_lake(
        {
            "a/source.toml": RECORDINGS_FORM,
            name.format(1, "before"): RECORDING,
            name.format(1, "after") + ".gz": gzip.compress(RECORDING.encode()),
        }
    )
    records = only(read(lake))
    assert (
        records["trace_id"].to_list() == ["J1_after_20240102T030405"] * 2 + ["J1_before_20240102T030405"] * 2
    )
    assert records["row"].to_list() == [1, 2, 1, 2]
    assert records["t_s"].to_list() == [0.0, 0.5, 0.0, 0.5]
    # NIST SP 811 appendix B.8: conventional inch of water 249.0889 Pa
    assert records["tank_pressure_pa"].to_list() == pytest.approx([0.0, -14 * 249.0889] * 2, rel=1e-12)
    assert records["is_vent_closed"].to_list() == [False, True] * 2


def test_headers_of_recordings_come_from_names_and_header_lines(make_lake):
    lake = make_lake(
        {
            "a/source.toml": RECORDINGS_FORM,
            "a/recordings/J1_before_20240102T030405.csv": RECORDING,
            "a/recordings/J2_after_20249902T030405.csv": RECORDING,
            "a/recordings/nonsense.csv": RECORDING,
        }
    )
    stock = take_stock(lake)
    reading = headers_from_recordings(stock.files, stock.forms["a"])
    one, two = reading.records.to_dicts()
    assert dict(reading.records.schema) == record_schema("traces")
    assert (one["row"], one["trace_id"], one["job_id"]) == (0, "J1_before_20240102T030405", "J1")
    assert (one["stage"], one["vehicle_id"], one["fuel_level_pct"]) == ("before_repair", "V7", 40.0)
    assert one["recorded_at"] == datetime(2024, 1, 2, 10, 4, 5, tzinfo=UTC)
    assert (two["stage"], two["recorded_at"]) == ("after_repair", None)
    assert reading.misread.select("row", "column", "value").rows() == [(0, "recorded_at", "20249902T030405")]
    assert reading.text["stage"].to_list() == ["before", "after"]
    assert all(is_one_recording(file, stock.forms["a"]) for file in stock.files)


def test_a_file_that_cannot_be_read_is_reported_and_the_others_go_on(make_lake):
    lake = make_lake(
        {
            "a/source.toml": RECORDINGS_FORM,
            "a/recordings/J1_before_20240102T030405.csv": RECORDING,
            "a/recordings/J2_before_20240102T030405.csv": b"\0\0\0",
            "a/recordings/nonsense.csv": RECORDING,
        }
    )
    told: dict[str, str] = {}
    records = only(
        read(lake, on_unreadable=lambda file, problem: told.update({file.path.name: problem.what}))
    )
    assert records["file"].unique().to_list() == ["a/recordings/J1_before_20240102T030405.csv"]
    assert "NUL byte in line 1" in told["J2_before_20240102T030405.csv"]
    assert "does not fit the pattern" in told["nonsense.csv"]
    with pytest.raises(FileUnreadable):
        read(lake)


def test_a_trace_id_column_stands_before_the_name_of_the_file(make_lake):
    form = "[samples]\nfile_name = '(?P<job_id>J\\d+)'\n"
    lake = make_lake({"a/source.toml": form, "a/samples_J5.csv": OWN + "T1,0,1,,0,1,\nT2,0,1,,0,1,\n"})
    assert only(read(lake))["trace_id"].to_list() == ["T1", "T2"]
    stock = take_stock(lake)
    headers = headers_from_recordings(stock.files, stock.forms["a"]).records
    assert headers.select("trace_id", "job_id").rows() == [("T1", "J5"), ("T2", "J5")]


def test_recordings_without_any_form_are_called_by_their_stem(make_lake):
    lake = make_lake({"a/samples_T9.csv": OWN.replace("trace_id,", "") + "0,1,,0,1,\n", "b/samples.csv": OWN})
    stock = take_stock(lake)
    assert [is_one_recording(f, stock.forms[f.source_id]) for f in stock.files] == [True, False]
    reading = next(read_samples(stock.files[:1], stock.forms["a"], NO_HEADERS))
    assert reading.records["trace_id"].to_list() == ["samples_T9"]


def test_raw_answers_are_decoded(make_lake):
    """SAE J1979 scaling (from memory): PID 32 signed, 0.25 Pa a bit; PID 2E 100/255 % a bit; PID 33 1 kPa a bit."""
    text = "trace_id,t_s,obd_hex,is_vent_closed\nT1,0,41 32 FC 18; 41 2E 80,1\nT1,1,4132FC182E00,1\nT1,2,NO DATA,1\n"
    readings = read(make_lake({"a/samples.csv": text}))
    records = only(readings)
    assert records["tank_pressure_pa"].to_list() == [-250.0, -250.0, None]
    assert records["purge_duty_pct"].to_list() == pytest.approx([128 * 100 / 255, 0.0, None])
    assert readings[0].misread.select("row", "rule", "column", "value").rows() == [
        (3, "obd_bytes", "obd_hex", "NO DATA")
    ]
    assert readings[0].hint == ""


def test_an_absolute_answer_is_made_gauge_by_its_own_barometer_or_the_traces(make_lake):
    """SAE J1979 (from memory): PID 53 0.005 kPa a bit: 4E20 hex = 20000 -> 100 kPa."""
    text = "trace_id,t_s,obd_hex,is_vent_closed,purge_duty_pct\n"
    text += "T1,0,41 53 4E 20;41 33 65,1,0\nT2,0,41 53 4E 20,1,0\nT3,0,41 53 4E 20,1,0\n"
    headers = pl.DataFrame({"trace_id": ["T2", "T3"], "barometric_kpa": [99.0, None]})
    readings = read(make_lake({"a/samples.csv": text}), headers)
    assert only(readings)["tank_pressure_pa"].to_list() == pytest.approx([-1000.0, 1000.0, None])
    assert readings[0].misread.select("row", "rule", "column").rows() == [(3, "type", "tank_pressure_pa")]
    assert (
        "neither its recording's samples nor its trace gives barometric_kpa"
        in readings[0].misread["reason"][0]
    )


def test_a_barometer_that_was_asked_now_and_then_makes_the_whole_recording_gauge(make_lake):
    """PID 33 in one answer of the recording: 65 hex = 101 kPa, later 64 hex = 100."""
    text = "trace_id,t_s,obd_hex,is_vent_closed,purge_duty_pct\n"
    answers = ["41 53 4E 20", "41 53 4E 20;41 33 65", "41 53 4E 20", "41 53 4E 20;41 33 64", "41 53 4E 20"]
    text += "".join(f"T1,{k},{answer},1,0\nT2,{k},41 53 4E 20,1,0\n" for k, answer in enumerate(answers))
    readings = read(make_lake({"a/samples.csv": text}))
    records = only(readings)
    mine, other = (records.filter(trace_id=name)["tank_pressure_pa"].to_list() for name in ("T1", "T2"))
    assert mine == pytest.approx([-1000.0, -1000.0, -1000.0, 0.0, 0.0])
    assert other == [None] * 5
    assert readings[0].misread["row"].to_list() == [2, 4, 6, 8, 10]


def test_answers_of_one_parameter_a_row_are_samples_at_the_pressures(make_lake):
    """A poller asks for purge (2E), pressure (54) and rpm (0C) by turns; T2 tells its purge seldom, T3 no pressure."""
    rows = [
        "T1,0,41 54 00 10",
        "T1,0.3,41 2E FF",
        "T1,0.6,41 0C 0C 80",
        "T1,0.9,41 54 FF F0",
        "T1,1.2,NO DATA",
    ]
    rows += ["T1,1.5,41 2E 00", "T1,1.8,41 54 FF E0"]
    rows += ["T2,0,41 2E FF", "T2,4,41 54 00 10", "T2,8,41 54 00 10", "T3,0,41 2E FF"]
    text = "trace_id,t_s,obd_hex,is_vent_closed\n" + "".join(f"{row},1\n" for row in rows)
    readings = read(make_lake({"a/samples.csv": text}))
    records = only(readings)
    assert records.select("row", "tank_pressure_pa", "purge_duty_pct", "engine_rpm").rows() == [
        (1, 16.0, 100.0, 800.0),
        (4, -16.0, 100.0, 800.0),
        (5, None, 100.0, 800.0),
        (7, -32.0, 0.0, 800.0),
        (9, 16.0, 100.0, None),
        (10, 16.0, None, None),
        (11, None, 100.0, None),
    ]
    assert readings[0].came.height == records.height
    assert readings[0].misread.select("row", "rule").rows() == [(5, "obd_bytes")]


def test_a_polled_answer_of_which_anything_cannot_be_read_stays_to_be_refused(make_lake):
    text = (
        "trace_id,t_s,obd_hex,is_vent_closed\nT1,0,41 54 00 10,1\nT1,0.3,41 2E FF,perhaps\nT1,x,41 2E FF,1\n"
    )
    reading = read(make_lake({"a/samples.csv": text + "T1,0.9,41 2E FF,1\n"}))[0]
    assert reading.records["row"].to_list() == [1, 2, 3]
    assert reading.came.height == 3
    assert reading.misread.select("row", "column").rows() == [(3, "t_s"), (2, "is_vent_closed")]


def test_a_row_of_several_answers_that_lacks_one_takes_it_from_no_other(make_lake):
    text = "trace_id,t_s,obd_hex,is_vent_closed\nT1,0,41 54 00 10 2E FF,1\nT1,1,41 54 00 10,1\n"
    assert only(read(make_lake({"a/samples.csv": text})))["purge_duty_pct"].to_list() == [100.0, None]


@pytest.mark.parametrize(("kpa", "step"), [(99.0, 1.0), (99.3, None)])
def test_the_steps_of_the_barometer_that_made_a_pressure_gauge_are_kept(make_lake, kpa, step):
    """PID 33 gives whole kilopascals: a zero that is off by less accuses no sensor."""
    text = "trace_id,t_s,obd_hex,is_vent_closed,purge_duty_pct\n"
    text += "T1,0,41 53 4E 20 33 65,1,0\nT2,0,41 53 4E 20,1,0\nT3,0,41 54 00 10 33 65,1,0\n"
    headers = pl.DataFrame({"trace_id": ["T2"], "barometric_kpa": [kpa]})
    told = read(make_lake({"a/samples.csv": text}), headers)[0].told
    assert dict(told.select("trace_id", "barometer_step_kpa").iter_rows()) == {
        "T1": 1.0,
        "T2": step,
        "T3": None,
    }


def test_a_declared_absolute_pressure_is_made_gauge(make_lake):
    text = "trace_id,t_s,tank_pressure (kPa_abs),barometric (mbar)\nT1,0,98.5,1010\nT1,1,98.5,\nT1,2,98.5,x\n"
    headers = pl.DataFrame({"trace_id": ["T1"], "barometric_kpa": [100.0]})
    readings = read(make_lake({"a/samples.csv": text}), headers)
    assert only(readings)["tank_pressure_pa"].to_list() == pytest.approx([-2500.0, -1500.0, -1500.0])
    assert readings[0].misread.select("row", "column", "value").rows() == [(3, "barometric_kpa", "x")]


VOLTS = (
    "trace_id,t_s,sensor_v,purge_duty_pct,is_vent_closed\nT1,0,2.6,0,1\nT2,0,1.5,0,1\nT3,0,,0,1\nT4,0,3,0,1\n"
)
MODELS = """
[[samples.sensor.model]]
make = "Orla"
model = "Kestrel"
volts_at_rest = 1.5
pa_per_volt = 2000
[[samples.sensor.model]]
model = "Kestrel"
volts_at_rest = 2.5
pa_per_volt = 1000
"""
HEADERS = pl.DataFrame(
    {
        "trace_id": ["T1", "T2", "T3"],
        "make": ["Orla", "Brask", "Orla"],
        "model": ["Kestrel"] * 3,
        "barometric_kpa": [None] * 3,
    }
)


@pytest.mark.parametrize("models", [MODELS, "".join(f"[[{m}" for m in reversed(MODELS.split("[[")[1:]))])
def test_volts_alone_become_pressure_by_the_sensors_line(make_lake, models):
    form = "[samples.sensor]\nvolts_at_rest = 2.0\npa_per_volt = 100\n" + models
    records = only(read(make_lake({"a/samples.csv": VOLTS, "a/source.toml": form}), HEADERS))
    assert records["tank_pressure_pa"].to_list() == pytest.approx([2200.0, -1000.0, None, 100.0])
    assert records["is_pressure_derived"].to_list() == [True, True, False, True]


def test_volts_of_a_model_without_a_line_are_not_guessed(make_lake):
    readings = read(make_lake({"a/samples.csv": VOLTS, "a/source.toml": MODELS}), HEADERS)
    assert only(readings)["tank_pressure_pa"].to_list() == pytest.approx([2200.0, -1000.0, None, None])
    assert readings[0].misread.select("row", "value").rows() == [(4, "3.0")]
    assert "no line for this vehicle's model" in readings[0].misread["reason"][0]


def test_volts_alone_without_any_line_are_a_missing_column(make_lake):
    readings = read(make_lake({"a/samples.csv": VOLTS}), HEADERS)
    assert readings[0].hint.startswith("No column gives tank_pressure_pa.")
    assert only(readings)["tank_pressure_pa"].null_count() == 4


def long_csv(n: int) -> str:
    return OWN + "".join(f"T1,{i},1,2,0,1,700\n" for i in range(n))


def long_parquet(n: int) -> bytes:
    sink = io.BytesIO()
    frame = {
        "trace_id": ["T1"] * n,
        "t_s": range(n),
        "tank_pressure_pa": [1.0] * n,
        "purge_duty_pct": [0] * n,
    }
    pl.DataFrame(frame | {"is_vent_closed": [True] * n}).write_parquet(sink)
    return sink.getvalue()


def test_a_long_file_is_cut_into_chunks_of_its_own(make_lake, monkeypatch):
    monkeypatch.setattr("pipeline.lake.open_file.BLOCK", 4000)
    files: dict[str, str | bytes] = {"a/samples_0.csv": long_csv(10), "a/samples_1.csv": long_csv(1000)}
    readings = read(make_lake(files | {"a/samples_2.parquet": long_parquet(1000)}), chunk_rows=300)
    of = [(r.records["file"].unique().to_list(), r.records["row"].min(), r.records.height) for r in readings]
    assert of[0] == (["a/samples_0.csv"], 1, 10)
    for name in ("a/samples_1.csv", "a/samples_2.parquet"):
        mine = [r.records for r in readings if r.records["file"][0] == name]
        assert len(mine) >= 3
        assert pl.concat(mine)["t_s"].to_list() == [float(i) for i in range(1000)]
        assert pl.concat(mine)["row"].to_list() == list(range(1, 1001))
    assert all(len(files) == 1 for files, _, _ in of)


def test_damage_late_in_a_long_file_never_reaches_a_shared_chunk(make_lake, monkeypatch):
    monkeypatch.setattr("pipeline.lake.open_file.BLOCK", 4000)
    packed = gzip.compress(long_csv(1000).encode())
    lake = make_lake(
        {"a/samples_0.csv": long_csv(10), "a/samples_1.csv.gz": packed[:-20], "a/samples_2.csv": long_csv(5)}
    )
    told: list[str] = []
    readings = read(lake, chunk_rows=300, on_unreadable=lambda file, problem: told.append(file.path.name))
    assert told == ["samples_1.csv.gz"]
    sound = [r.records for r in readings if "a/samples_1.csv.gz" not in r.records["file"].to_list()]
    assert pl.concat(sound).group_by("file").len().sort("file").rows() == [
        ("a/samples_0.csv", 10),
        ("a/samples_2.csv", 5),
    ]


def test_an_empty_recording_gives_a_hint_of_its_own(make_lake):
    lake = make_lake({"a/samples_0.csv": long_csv(3), "a/samples_1.csv": OWN, "a/samples_2.csv": ""})
    readings = read(lake)
    hints = {file: hint for r in readings for file, hint in r.hints.items()}
    assert hints == {
        "a/samples_1.csv": "The file has a header and no records.",
        "a/samples_2.csv": "The file is empty: it has no header.",
    }
    assert sum(r.records.height for r in readings) == 3


def test_a_pattern_may_fit_the_folders_of_a_recording(make_lake):
    form = "[samples]\nfiles = ['*/*.csv']\nfile_name = '^(?P<job_id>J\\d+)/(?P<stage>routine)'\n"
    lake = make_lake(
        {"a/source.toml": form, "a/J7/routine_1.csv": long_csv(2).replace("trace_id,", "").replace("T1,", "")}
    )
    stock = take_stock(lake)
    headers = headers_from_recordings(stock.files, stock.forms["a"]).records
    assert headers.select("trace_id", "job_id", "stage").rows() == [("routine_1", "J7", "routine")]
    assert only(read(lake))["trace_id"].to_list() == ["routine_1"] * 2


@pytest.mark.parametrize(
    ("first", "second"),
    [("8:15:30.25", "08:15:31,5"), ("2025-03-01T08:15:30.25Z", "2025-03-01 08:15:31.5+01:00")],
)
def test_times_of_day_are_seconds_since_midnight(make_lake, first, second):
    """A recorder that writes its clock: only differences of them count."""
    text = f"trace_id,t,tank_pressure_pa,is_vent_closed,purge_duty_pct\nT1,{first},0,1,0\n"
    text += f'T1,"{second}",0,1,0\nT1,24:00:00,0,1,0\nT1,12.5,0,1,0\n'
    readings = read(make_lake({"a/samples.csv": text, "a/source.toml": '[samples.units]\nt = "clock"\n'}))
    assert only(readings)["t_s"].to_list() == [29730.25, 29731.5, None, None]
    assert readings[0].misread.select("row", "column").rows() == [(3, "t_s"), (4, "t_s")]
    assert "not a time of day" in readings[0].misread["reason"][0]
