"""What is true of a recording, and whether it can be seen in it: the marks, written before any recording was made.

All marks are taken from the noise-free course of pressure at the sensor and from its twin: the same tank, fuel, weather
and procedure without the fault. No word of any estimator enters. "Noise" below is the standard deviation of one sample:
sensor noise, quantization and rounding together, and wind.

Size. The diameter of a round sharp-edged hole of which the coefficient at high Reynolds number is `STATED` (0.61, the
tool's own setting), which resists creeping flow as Sampson (1891) has it and otherwise by inertia, through which at the
same pressures the same mass flows of the same gas: of outside air under vacuum, of the tank's own gas under pressure.
For a hole whose coefficient or area changes with pressure: at the time mean of the pressure difference over the last
hold. Sizes count (`is_sized`) for leaks that are clear or of which nothing but the verdict's border is in doubt, and
of which the last hold keeps 300 Pa or more for 3 s and six samples.

True verdict. The one fault that was put in; `holds` for a tank with residual leaks below 0.08 mm in all; `not_judged`
for a drive without test. Two faults at once are always ambiguous.

Clear, else `is_ambiguous` and not counted. A fair technician with good equipment sees it in this recording:
  always: no two faults; every phase that decides has 80 % of its samples; the last hold of a test lasts 20 s or more.
  holds: the draw passed 800 Pa, and from 3 s after the hold's start to its end the pressure rises less than through a
    0.25 mm hole in this tank over the same time; from half of that on, `not_judged` is fair too.
  leak: at the hold's start 400 Pa or more and 20 noises; half of that is lost no sooner than 3 s and six samples; at
    the hold's end or at half loss, whichever is first, the course differs from its twin by 8 noises and 60 Pa, and by
    more than the twin itself has risen since the hold's start. Under 1.5 times the twin's rise `not_judged` is fair.
  gross_leak: the twin passes 1200 Pa, the fault keeps the vacuum below a quarter of the twin's, and half of what there
    was is lost within 1.5 s of the purge's shutting. Where the draw shows less than 6 noises or 30 Pa, `no_vacuum` is
    fair too. A hole between this and a clear leak is ambiguous.
  no_vacuum: the twin passes 800 Pa, the fault stays within 60 Pa and 5 % of the twin. Where the shut tank creeps by
    less than 6 noises or 40 Pa, `gross_leak` is fair too.
  purge_passes_closed: with the vent shut and the purge shut the course falls, before the draw or in the last hold, by
    10 noises and 100 Pa more than the twin, and by 60 Pa and 6 noises in itself.
  vent_restricted: 4 s after the vent opened again there stand 40 % and 400 Pa or more of what stood before, where the
    twin has less than 10 %; or with the vent open at rest the tank stands 400 Pa or more below the outside.
  sensor_flat: the twin's pressure spans 800 Pa or more, the reading less than 30 Pa.
  sensor_offset: 250 Pa or more and 8 noises away from the outside at vented rest, and no reading at the sensor's end.
  sensor_disagrees: volts and pressure are both recorded and differ, as a pressure, by 200 Pa or more at some time
    other than by a constant, in a draw of 800 Pa or more.
  not_judged: the vent is never shut.
  Under pressure from outside: as `holds` and `leak` with pressure for vacuum; `not_judged` is always fair too.
"""
