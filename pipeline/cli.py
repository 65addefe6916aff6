"""The command: parse, call, say what came of it, exit with the right status.

Heavy imports stand inside the verbs, so that `--help` answers at once.
"""

from __future__ import annotations

import errno
import signal
import sys
import threading
import traceback
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.errors import EvapfleetError, OurFault, Transient, WrongUsage
from pipeline.full_disk import telling_a_full_disk
from pipeline.settings import Settings

if TYPE_CHECKING:
    import polars as pl

#: control characters, marks of direction and the like, halves of characters, line and paragraph separators
_UNSEEN = ("Cc", "Cf", "Cs", "Zl", "Zp")
MOST_NOTES = 20
#: status of a process that SIGTERM ended, as a shell tells it
TERMINATED = 128 + signal.SIGTERM
EXAMPLE = "\b\nExample:\n  "

LAKE = click.argument("lake")
OUT = click.option(
    "--out", type=click.Path(path_type=Path), default=Path("out"), show_default=True, help="Folder to fill."
)


def _settings_options(command: Callable[..., None]) -> Callable[..., None]:
    day = click.DateTime(["%Y-%m-%d"])
    for option in (
        click.option("--settings", type=click.Path(path_type=Path), help="TOML file with settings."),
        click.option("--to", "to_on", type=day, help="Last day of the window (default: the latest job)."),
        click.option("--from", "from_on", type=day, help="First day of the window (default: the first job)."),
    ):
        command = option(command)
    return command


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
@click.version_option(package_name="evapfleet")
@click.pass_context
def cli(context: click.Context, debug: bool) -> None:
    """From exported EVAP job, trace and inspection records to fleet statistics and dashboards.

    Exit status: 0 done; 1 the data failed a rule that stops a run; 2 wrong usage or settings; 3 our own fault.
    """
    context.obj = {"debug": debug}


@cli.command(epilog=EXAMPLE + "evapfleet run sample_lake --out out")
@LAKE
@OUT
@_settings_options
def run(
    lake: str, out: Path, from_on: datetime | None, to_on: datetime | None, settings: Path | None
) -> None:
    """Read LAKE, judge, measure, count, estimate, and publish.

    LAKE is a folder, or an address in a bucket (s3://bucket/prefix) with credentials in the environment.
    Only new or changed files are read again. The previous result stands until this run has succeeded.
    """
    place, chosen = _lake(lake), _settings(settings, from_on, to_on)
    with _progress() as tell:
        tell("starting the flow")
        from pipeline.flows import run_lake

        result = run_lake(place, out, chosen, tell)
    from reports.words import count, label, plural

    _say_notes(result.notes)
    click.echo(
        f"{plural(result.n_read, 'record')} in {plural(result.n_files, 'file')}: {result.n_accepted:,} accepted,"
        f" {result.n_quarantined:,} quarantined, {plural(result.n_duplicate, 'duplicate')};"
        f" {plural(result.n_read_files, 'file')} read this time"
    )
    if result.verdicts:
        said = ", ".join(f"{count(n)} {label(verdict)}" for verdict, n in result.verdicts.items())
        click.echo(f"{plural(sum(result.verdicts.values()), 'recording')}: {said}")
    click.echo(f"tables: {out / 'warehouse.duckdb'} and {out / 'tables'}")
    click.echo(f"open:   {(out / 'site' / 'index.html').resolve()}")


@cli.command(epilog=EXAMPLE + "evapfleet check sample_lake")
@LAKE
@_settings_options
def check(lake: str, from_on: datetime | None, to_on: datetime | None, settings: Path | None) -> None:
    """Validate LAKE only: what would be accepted, what not, and why. Writes nothing."""
    from pipeline.steps.check import check_lake

    place, chosen = _lake(lake), _settings(settings, from_on, to_on)
    with _progress() as tell:
        report = check_lake(place, chosen, tell)
    for frame in report.told:
        click.echo(_as_text(frame))
    click.echo(
        _as_text(report.reasons) if report.reasons.height else "every record that was read keeps every rule"
    )
    _say_notes(report.notes)
    if report.stop:
        raise report.stop
    click.echo("a run would accept this lake")


@cli.command(epilog=EXAMPLE + "evapfleet publish out")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def publish(folder: Path) -> None:
    """Write pages and tables anew from the warehouse in DIR."""
    _warehouse(folder)
    from pipeline.steps.publish import publish_again

    publish_again(folder)
    click.echo(f"open:   {(folder / 'site' / 'index.html').resolve()}")


@cli.command(epilog=EXAMPLE + "evapfleet explain out TRACE_ID --picture trace.png")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.argument("trace_id")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    help="Where the picture goes: .png, .svg or .html (default: DIR/explained/TRACE_ID.png).",
)
def explain(folder: Path, trace_id: str, picture: Path | None) -> None:
    """Show one trace in words and as a picture: phases, fit, verdict, evidence."""
    warehouse = _warehouse(folder)
    from pipeline.steps.explain import explain_in_words_and_picture

    place = picture or _picture_path(folder, trace_id)
    with telling_a_full_disk(place.parent.resolve()):
        words, path = explain_in_words_and_picture(warehouse, trace_id, place)
    click.echo(printable(words))
    click.echo(f"picture: {path}")


@cli.command(epilog=EXAMPLE + "evapfleet simulate /tmp/lake --vehicles 500 --seed 7")
@click.argument("lake", type=click.Path(path_type=Path))
@click.option("--vehicles", type=click.IntRange(min=1), required=True, help="Vehicles in the register.")
@click.option("--seed", type=click.IntRange(min=0), required=True, help="The same seed gives the same lake.")
@click.option(
    "--trace-share",
    type=click.FloatRange(0, 1),
    default=0.15,
    show_default=True,
    help="Share of jobs with recordings.",
)
def simulate(lake: Path, vehicles: int, seed: int, trace_share: float) -> None:
    """Write a lake with known truth to LAKE; the truth goes to LAKE/.truth/ and is never read by `run`."""
    from pipeline.simulate.lake import simulate_lake

    with _progress() as tell, telling_a_full_disk(lake.resolve()):
        simulate_lake(
            lake,
            vehicles,
            seed,
            trace_share=trace_share,
            progress=lambda done, total: tell(f"{done:,} of {total:,} vehicles"),
        )
    click.echo(f"lake:  {lake}\ntruth: {lake / '.truth'}")


@cli.command(epilog=EXAMPLE + 'evapfleet schedule /data/lake --out /data/out --cron "0 5 * * *"')
@LAKE
@OUT
@click.option("--cron", required=True, help='When to run, for example "0 5 * * *" for every day at five.')
@_settings_options
def schedule(
    lake: str,
    out: Path,
    cron: str,
    from_on: datetime | None,
    to_on: datetime | None,
    settings: Path | None,
) -> None:
    """Serve the job on a schedule from your Prefect server (PREFECT_API_URL), until stopped."""
    place, chosen = _lake(lake), _settings(settings, from_on, to_on)
    from pipeline.flows import serve

    serve(place, out, chosen, cron)


def _lake(given: str) -> Path | str:
    """Return the lake's folder or address; `sample_lake` means the one that came with evapfleet where none is here."""
    from pipeline.lake.bucket import is_address

    if is_address(given):
        return given
    if "://" in given:
        what = "a lake is a folder or an address that begins with s3://"
        raise WrongUsage(what, given, "copy or mount the lake to a folder")
    lake = Path(given)
    if given == "sample_lake" and not lake.exists():
        from pipeline.resources import carried

        lake = carried("sample_lake")
        click.echo(f"note: reading the sample lake that came with evapfleet: {lake}", err=True)
    if not lake.is_dir():
        what = "the lake is not a folder" if lake.exists() else "there is no such folder"
        raise WrongUsage(what, str(lake), "name the folder that holds one folder for each source")
    return lake


def _settings(file: Path | None, from_on: datetime | None, to_on: datetime | None) -> Settings:
    given: dict[str, Any] = {}
    if file:
        import tomllib

        try:
            given = tomllib.loads(file.read_text(encoding="utf-8-sig"))
        except OSError as problem:
            raise WrongUsage(
                f"the settings cannot be read: {problem.strerror}", str(file), "name a file"
            ) from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
            raise WrongUsage(f"the settings are not TOML: {problem}", str(file), "mend that line") from None
    days = {"from_on": from_on, "to_on": to_on}
    given |= {name: day.date() for name, day in days.items() if day}
    return Settings.from_dict(given, str(file) if file else "--from and --to")


def _warehouse(folder: Path) -> Path:
    path = folder / "warehouse.duckdb"
    if not path.is_file():
        raise WrongUsage(
            "there is no warehouse", str(path), "name the folder that `evapfleet run --out` filled"
        )
    return path


def _picture_path(folder: Path, trace_id: str) -> Path:
    """Name a picture after its trace; an id that is no good file name is shortened and told apart by its hash."""
    safe = "".join(c if (c.isascii() and c.isalnum()) or c in "-_." else "_" for c in trace_id)[:80]
    if safe != trace_id or safe.startswith("."):
        import hashlib

        safe = f"{safe.lstrip('.')}-{hashlib.sha256(trace_id.encode('utf-8', 'replace')).hexdigest()[:8]}"
    return folder / "explained" / f"{safe}.png"


def printable(text: str) -> str:
    """Return text from the data as a terminal may show it: control and direction marks are written out."""
    return "".join(c if c == "\n" or unicodedata.category(c) not in _UNSEEN else ascii(c)[1:-1] for c in text)


def _say_notes(notes: list[str]) -> None:
    for note in notes[:MOST_NOTES]:
        click.echo(f"note: {printable(note)}", err=True)
    if len(notes) > MOST_NOTES:
        click.echo(
            f"note: and {len(notes) - MOST_NOTES} more; audit.files and audit.runs of the warehouse hold them all",
            err=True,
        )


def _as_text(frame: pl.DataFrame) -> str:
    import polars as pl

    with pl.Config(
        tbl_rows=200,
        tbl_cols=20,
        fmt_str_lengths=110,
        tbl_width_chars=200,
        tbl_hide_dataframe_shape=True,
        tbl_hide_column_data_types=True,
        tbl_formatting="NOTHING",
        tbl_cell_numeric_alignment="RIGHT",
    ):
        return printable(str(frame))


@contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """Show the step at work: one moving line on a terminal, a quiet line each without one."""
    if not sys.stderr.isatty():
        yield lambda line: click.echo(printable(line), err=True)
        return
    from rich.console import Console
    from rich.markup import escape

    with Console(stderr=True).status("") as status:
        yield lambda line: status.update(escape(printable(line)))


def main(arguments: list[str] | None = None) -> None:
    """Run the command; every error leaves with its status and without a traceback (unless --debug)."""
    wants_traceback = "--debug" in (arguments if arguments is not None else sys.argv)
    if threading.current_thread() is threading.main_thread():
        # Ended at once, as it is by default, the process would leave its temporary Prefect server running.
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(TERMINATED))
    try:
        cli.main(args=arguments, prog_name="evapfleet", standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as problem:
        problem.show()
        sys.exit(2)
    except click.exceptions.Exit as done:
        sys.exit(done.exit_code)
    except EvapfleetError as problem:
        _leave(problem, wants_traceback)
    except OSError as problem:
        _leave(_refused_by_the_system(problem), wants_traceback)
    except Exception as problem:
        text = f"{type(problem).__name__}: {problem}"
        _leave(
            OurFault(f"an error of our own: {text}", todo="run again with --debug and report it"),
            wants_traceback,
        )


def _refused_by_the_system(problem: OSError) -> EvapfleetError:
    """Tell a full disk or a missing right from a fault of ours."""
    known = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM, errno.EMFILE)
    if problem.errno not in known:
        return OurFault(
            f"an error of our own: {type(problem).__name__}: {problem}",
            todo="run again with --debug and report it",
        )
    return Transient(
        f"the system refused: {problem.strerror}",
        str(problem.filename or ""),
        "make room or get the right to write there, then run again; nothing of the previous run was changed",
    )


def _leave(problem: EvapfleetError, wants_traceback: bool) -> None:
    if wants_traceback:
        traceback.print_exc()
    click.echo(f"evapfleet: {printable(problem.as_text())}", err=True)
    sys.exit(problem.exit_status)
