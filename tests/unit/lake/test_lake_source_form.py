"""What a `source.toml` may say, and that everything wrong with one is said at once."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.errors import WrongUsage
from pipeline.lake.source_form import SensorLine, read_form

#: the example of the contract, section 2, whole
CONTRACT_EXAMPLE = r"""
[source]
time_zone = "America/Phoenix"        # for naive times
encoding = "utf-8"

[jobs]
files = ["orders_*.csv"]             # globs below the source's folder
delimiter = "|"
decimal = "."
datetime_format = "%d/%m/%Y %H:%M"
[jobs.columns]                       # ours = theirs
job_id = "Order"
[jobs.values.component]              # theirs = ours
"PRG VLV" = "purge_valve"
[jobs.constants]                     # fields that every record of this source shares
shop_id = "north"

[samples]                            # one file per recording
files = ["recordings/*.csv"]
skip_lines = 3
file_name = '(?P<job_id>J\d+)_(?P<stage>before|after)_(?P<recorded_at>\d{8}T\d{6})'
[samples.columns]
t_s = "Time"
tank_pressure = "FTP"
[samples.units]
tank_pressure = "inH2O"              # any unit listed under samples
t = "ms"
[samples.values.stage]
before = "before_repair"
"""


def form_of(folder: Path, text: str | bytes):
    (folder / "source.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_form("north", folder)


def problems_of(folder: Path, text: str | bytes) -> str:
    with pytest.raises(WrongUsage) as caught:
        form_of(folder, text)
    assert caught.value.where == "north/source.toml"
    assert caught.value.exit_status == 2
    return caught.value.what


def test_the_example_of_the_contract_is_understood(tmp_path: Path):
    form = form_of(tmp_path, CONTRACT_EXAMPLE)
    jobs, samples = form.of("jobs"), form.of("samples")
    assert jobs.files == ("orders_*.csv",)
    assert (jobs.delimiter, jobs.decimal, jobs.time_zone) == ("|", ".", "America/Phoenix")
    assert jobs.columns == {"job_id": "Order"}
    assert jobs.values == {"component": {"PRG VLV": "purge_valve"}}
    assert jobs.constants == {"shop_id": "north"}
    assert samples.columns == {"t_s": "Time", "tank_pressure_pa": "FTP"}
    assert samples.units == {"tank_pressure_pa": "inH2O", "t_s": "ms"}
    assert samples.skip_lines == 3
    assert samples.file_name is not None
    assert samples.file_name.search("J7_after_20240102T030405.csv")["stage"] == "after"
    assert form.of("vehicles").files is None


def test_a_source_without_a_form_gets_that_of_our_own_names(tmp_path: Path):
    form = read_form("north", tmp_path)
    assert form.sha256 == ""
    assert form.of("jobs").columns == {}


def test_settings_of_the_source_are_defaults_for_every_kind(tmp_path: Path):
    form = form_of(tmp_path, '[source]\ndelimiter = ";"\ndecimal = ","\n[jobs]\ndelimiter = "|"\n')
    assert form.of("jobs").delimiter == "|"
    assert form.of("vehicles").delimiter == ";"
    assert form.of("jobs").decimal == ","


def test_the_sensor_line_may_be_given_for_the_source_and_for_models(tmp_path: Path):
    text = """
[samples.sensor]
volts_at_rest = 2.6
pa_per_volt = 1500
[[samples.sensor.model]]
make = "Orla"
model = "Kestrel"
volts_at_rest = 1.5
pa_per_volt = 2000
"""
    assert form_of(tmp_path, text).of("samples").sensor == (
        SensorLine(1.5, 2000.0, "Orla", "Kestrel"),
        SensorLine(2.6, 1500.0),
    )


EVERYTHING_WRONG = r"""
[source]
time_zone = "Mars/Olympus"
encoding = "klingon"
color = "gray"
[orders]
x = 1
[jobs]
files = []
delimiter = "ab"
decimal = ";"
datetime_format = "day month"
skip_lines = -1
file_name = '(?P<job_id>'
header_line = '(?P<weather>.*)'
[jobs.columns]
job_nr = "Order"
shop_id = 3
odometer = "Miles"
odometer_km = "Km"
action = "Work"
[jobs.units]
odometer = "furlong"
shoe_size = "cm"
[jobs.values.component]
"PRG" = "purgevalve"
[jobs.values.colour]
a = "b"
[jobs.constants]
action = "none"
moon = "full"
[samples.sensor]
volts_at_rest = 2.5
[[samples.sensor.model]]
volts_at_rest = 2.5
pa_per_volt = 100
[vehicles]
files = ["../elsewhere/*.csv"]
"""

EVERY_PROBLEM = [
    r"source\.time_zone: 'Mars/Olympus' is no time zone",
    r"source\.encoding: 'klingon' is no encoding",
    r"source\.color: there is no such key; the keys are time_zone",
    r"orders: there is no such key; the keys are source, vehicles, jobs",
    r"jobs\.files: give a list of globs",
    r"jobs\.delimiter: give one character",
    r"jobs\.decimal: the decimal mark is",
    r"jobs\.datetime_format: 'day month' does not say day, month and year",
    r"jobs\.skip_lines: give a whole number",
    r"jobs\.file_name: the regular expression cannot be read",
    r"jobs\.header_line: no field is called weather",
    r"jobs\.columns\.job_nr: there is no such field; the fields are action, checks",
    r"jobs\.columns\.shop_id: give the name of their column",
    r"jobs\.columns\.odometer_km: odometer_km is named twice",
    r"jobs\.units\.odometer: 'furlong' is not a unit that is known; declare one of km, m, mi",
    r"jobs\.units\.shoe_size: there is no such quantity",
    r"jobs\.values\.component\.'PRG': 'purgevalve' is none of our words for component; use one of fuel_cap",
    r"jobs\.values\.colour: there is no such field",
    r"jobs\.constants\.moon: there is no such field",
    r"jobs\.constants\.action: the field comes from the column 'Work' already",
    r"samples\.sensor: volts_at_rest and pa_per_volt must both be numbers",
    r"samples\.sensor\.model\[1\]: name the model",
    r"vehicles\.files: \.\./elsewhere/\*\.csv leads out of the source's folder",
]


def test_everything_wrong_is_said_at_once(tmp_path: Path):
    told = problems_of(tmp_path, EVERYTHING_WRONG)
    missing = [pattern for pattern in EVERY_PROBLEM if not re.search(pattern, told)]
    assert missing == [], told
    assert f"{len(EVERY_PROBLEM)} problems" in told


@pytest.mark.parametrize("text", ["[jobs\n", b"\xff\xfe[jobs]", "[jobs]\nfiles = 1 2\n"])
def test_what_is_no_toml_is_said_with_its_place(tmp_path: Path, text: str | bytes):
    assert "not TOML" in problems_of(tmp_path, text)


def test_a_pressure_unit_that_nobody_knows_names_the_choices(tmp_path: Path):
    told = problems_of(tmp_path, '[samples.units]\ntank_pressure = "smoots"\n')
    for unit in (
        "Pa",
        "kPa",
        "hPa",
        "mbar",
        "inH2O",
        "inH2O_4C",
        "inH2O_60F",
        "mmHg",
        "inHg",
        "psi",
        "kPa_abs",
    ):
        assert re.search(rf"\b{unit}\b", told)
