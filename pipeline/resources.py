"""Where the SQL models and the sample lake are: beside the code in a checkout, inside the package when
installed from a wheel."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import OurFault

PACKAGE = Path(__file__).resolve().parent


def carried(name: str) -> Path:
    """Return the folder `sql` or `sample_lake` that belongs to this installation."""
    for place in (PACKAGE / "_carried" / name, PACKAGE.parent / name):
        if place.is_dir():
            return place
    raise OurFault(f"the folder {name} did not travel with the installation", str(PACKAGE), "install again")
