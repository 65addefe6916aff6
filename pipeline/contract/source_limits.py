"""From where on a whole source is doubted: `traces` judges by these limits, tables and pages tell them."""

from __future__ import annotations

#: Vent commands (`traces.vent_commands`): so many recordings with vacuum under an open vent, where they are so large a
#: share of all that tell (judgement: of systems that are tested one in ten or twenty has a restricted vent path).
UNDER_OPEN_VENT_N, UNDER_OPEN_VENT_SHARE = 5, 0.5
#: Unit of the pressure (`traces.pressure_units`): a purge that is open for so long [s] brings vacuum. Targets of a draw
#: are 1 to 4 kPa (common practice). Read as pascals, that is 1 to 4 in kPa, 4 to 16 in inches of water, 8 to 30 in mm
#: of mercury, 10 to 40 in hPa: less than this [Pa].
DRAWS_S, SMALL_PA = 3.0, 100.0
#: Beside other sources of the same models: shops draw to another vacuum, and at another duty, than others do, but
#: hardly both to so many times less or more (judgement; hPa and inches of water lie 2.5 apart, kPa and inches of
#: mercury 3.4, of water 4.0). Of two sources that disagree, the one farther from a draw's usual span [Pa] is doubted.
MOST_TIMES, USUAL_PA = 3.0, 2000.0
#: Zeros (`traces.source_zeros`): sensors that rest off zero do so by some hundreds of pascals, a barometer in whole
#: kilopascals by 500 (judgement): farther off [Pa], on one side, so large a share of a source's recordings never rests
#: (judgement: of systems that are tested one in twenty has a sensor that is off).
FAR_PA, FAR_SHARE = 1500.0, 0.75
#: Of pressures and zeros so many recordings, of so many vehicles, must tell (judgement: one test in five or ten finds
#: no vacuum).
LEAST_TOLD, LEAST_VEHICLES = 8, 3
