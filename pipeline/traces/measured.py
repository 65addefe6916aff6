"""What a batch is when it was compared with its models and judged: all that its rows and its words are made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.traces.compiled import Flags, Floats
from pipeline.traces.hold_fit import HoldFit
from pipeline.traces.purge_flow import Equilibrium
from pipeline.traces.purge_leak import PurgeLeak
from pipeline.traces.sizes import Sizes
from pipeline.traces.taken import Taken
from pipeline.traces.verdict import Judgement
from pipeline.traces.volts import VoltStory


@dataclass(frozen=True)
class Measured:
    """Everything that was found out on the way to a batch's rows."""

    taken: Taken
    sizes: Sizes
    volts: VoltStory
    judgement: Judgement
    equilibrium: Equilibrium
    purge_leak: PurgeLeak
    sealed: HoldFit | None = None
    """The holds as tanks without a leak would have drawn them; None where no picture is asked for."""

    @property
    def at_least_mm(self) -> Floats:
        """Holes [mm] that a gross leak surely exceeds: by the time its vacuum took to go, or by its purge flow."""
        return np.fmax(self.sizes.gross_low, self.equilibrium.low)

    @property
    def is_outrun(self) -> Flags:
        """Which fillings a gross leak outran: what stood was the supply's, and nothing was held until that was off."""
        return (self.judgement.verdict == "gross_leak") & self.taken.marks.is_pressure_test
