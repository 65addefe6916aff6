"""Which column of a file fills which field, and in which unit."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.contract.fields import ALL_KINDS
from pipeline.errors import FileUnreadable, UnitUnknown, WrongUsage
from pipeline.lake.field_units import FIELD_OF_BARE, MEASURES, choices, split_bracket
from pipeline.lake.source_form import KindForm, column_fields
from pipeline.standards import units

#: names of a header that a message lists
_MOST_NAMES = 40
_DELIMITERS = {";": '";"', ",": '","', "\t": "a tab", "|": '"|"'}


@dataclass(frozen=True)
class Layout:
    """`columns`: field -> their column; `units`: field -> unit where it is not the field's own; `hint`: what looks
    wrong with the header as a whole, "" where nothing does."""

    columns: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    hint: str = ""


def lay_out(header: tuple[str, ...], form: KindForm, given: set[str], where: str) -> Layout:
    """Match a file's header with the fields of its kind.

    Parameters
    ----------
    header : the columns' names as they came
    form : how the source writes this kind
    given : fields that the file's name, its header lines or constants fill
    where : the file, for messages

    Raises
    ------
    FileUnreadable : a column that is needed stands twice.
    UnitUnknown : a measured column has no unit that is known.
    """
    columns = _mapped(header, form) | _in_our_names(header, form)
    for name, theirs in columns.items():
        if any(other.startswith(f"{theirs} (column ") for other in header):
            what = f"The header names {theirs!r} twice, and {name} is read from it."
            raise FileUnreadable(what, where, "Give each column a name of its own.")
    units_of = {
        name: _unit(name, theirs, form, where) for name, theirs in columns.items() if name in MEASURES
    }
    known_units = {name: unit for name, unit in units_of.items() if unit is not None}
    return Layout(columns, known_units, _hint(header, form, columns, given))


def _mapped(header: tuple[str, ...], form: KindForm) -> dict[str, str]:
    stripped = {name.strip(): name for name in reversed(header)}
    exact = {
        ours: theirs if theirs in header else stripped.get(theirs) for ours, theirs in form.columns.items()
    }
    return {ours: theirs for ours, theirs in exact.items() if theirs is not None}


def _in_our_names(header: tuple[str, ...], form: KindForm) -> dict[str, str]:
    allowed = column_fields(form.kind)
    found: dict[str, str] = {}
    taken = set(form.columns.values())
    for theirs in header:
        name = theirs.strip() if theirs.strip() in allowed else split_bracket(theirs)[0]
        ours = FIELD_OF_BARE.get(name, name)
        if ours in allowed and ours not in form.columns and ours not in found and theirs not in taken:
            found[ours] = theirs
    return found


def _unit(name: str, theirs: str, form: KindForm, where: str) -> str | None:
    """Find the unit of a measured column: declared, in brackets, or in the field's own name."""
    if name in form.units:
        return form.units[name]
    plain, bracket = split_bracket(theirs)
    if bracket is not None:
        try:
            return units.canonical_unit(MEASURES[name].quantity, bracket)
        except WrongUsage as error:
            if MEASURES[name].quantity == "pressure" or _is_bare(name, plain, form):
                raise _no_unit(name, theirs, f"{bracket!r} is not a unit that is known", where) from error
    if _is_bare(name, plain, form):
        raise _no_unit(name, theirs, "no unit is declared for it", where)
    return None


def _is_bare(name: str, theirs: str, form: KindForm) -> bool:
    return name in form.bare if name in form.columns else theirs == MEASURES[name].bare


def _no_unit(name: str, theirs: str, why: str, where: str) -> UnitUnknown:
    measure = MEASURES[name]
    what = f"The {measure.quantity} column {theirs!r} cannot be read: {why}."
    todo = f"Declare {measure.bare} under units in the source.toml as one of: {choices(name)}."
    return UnitUnknown(what, where, todo)


def _hint(header: tuple[str, ...], form: KindForm, columns: dict[str, str], given: set[str]) -> str:
    if not header:
        return "The file is empty: it has no header."
    filled = columns.keys() | given | _derived(form, columns)
    # A trace's vehicle may come through its job.
    optional = {"vehicle_id"} if form.kind == "traces" else set()
    missing = [name for name in ALL_KINDS[form.kind].required if name not in filled | optional]
    absent = [theirs for ours, theirs in form.columns.items() if ours not in columns]
    if not missing and not absent:
        return ""
    if len(header) == 1 and missing and not columns:
        others = [word for mark, word in _DELIMITERS.items() if mark in header[0]]
        which = f"; is the delimiter {' or '.join(others)}?" if others else "; is the delimiter another one?"
        return f"The header reads as a single column{which}"
    sentences = [f"No column gives {', '.join(missing)}."] if missing else []
    if absent:
        sentences.append(
            f"The source.toml names {', '.join(map(repr, absent))}, which the header does not have."
        )
    more = f" and {len(header) - _MOST_NAMES} more" if len(header) > _MOST_NAMES else ""
    return " ".join([*sentences, f"The header has {', '.join(header[:_MOST_NAMES])}{more}."])


def _derived(form: KindForm, columns: dict[str, str]) -> set[str]:
    if form.kind != "samples":
        return set()
    if "obd_hex" in columns:
        return {"tank_pressure_pa", "purge_duty_pct"}
    return {"tank_pressure_pa"} if form.sensor and "sensor_v" in columns else set()
