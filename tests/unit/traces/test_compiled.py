"""Compiled code belongs to the sources that it was made of."""

from pathlib import Path

from pipeline.traces.compiled import holds_code, place_of


def test_a_constant_changed_in_any_file_of_the_floor_or_its_physics_makes_another_place(tmp_path: Path):
    traces, physics = tmp_path / "traces", tmp_path / "physics"
    for folder in (traces, physics):
        folder.mkdir()
        (folder / "one.py").write_text("LIMIT = 1\n")
    first = place_of(traces)
    assert place_of(traces) == first
    assert Path(first).is_relative_to(traces / "__pycache__")
    places = {first}
    for folder in (traces, physics):
        (folder / "one.py").write_text("LIMIT = 2\n")
        places.add(place_of(traces))
    assert len(places) == 3


def test_a_tree_that_cannot_be_written_keeps_its_code_elsewhere(tmp_path: Path):
    (tmp_path / "traces").mkdir()
    (tmp_path / "traces" / "__pycache__").write_text("a file where a folder should be")
    assert not Path(place_of(tmp_path / "traces")).is_relative_to(tmp_path)


def test_code_is_held_where_an_index_of_it_lies(tmp_path):
    place = tmp_path / "kernels"
    assert not holds_code(place)
    (place / "traces_1").mkdir(parents=True)
    assert not holds_code(place)
    (place / "traces_1" / "sensor.read_noise-117.py311.nbi").touch()
    assert holds_code(place)
