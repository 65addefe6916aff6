-- grain: one measure of one inspection station in one stratum
-- key: station_id, measure, stratum
-- reads: core.visit, core.station
-- units: inspections
-- leaves out: inspections in which the measure is not known
-- why: habits that a station can be asked about, each against stations in the same circumstances (stratum):
--   soon_after_clear: first visits less than 80 km after a clear, by model year (80 km is about 50 miles; our choice);
--   close_tests: tests begun less than 3 minutes after another vehicle's at the same station, by how many the
--   station began that day, since a busy day brings tests together (3 minutes is less than a test takes; our choice);
--   quick_retest: passes within 60 minutes of a visit of the same vehicle with more monitors not complete, of all
--   visits that follow one, in one stratum: monitors need a drive (40 CFR 85.2222(c)(1) sends the vehicle driving).

with in_station as (
    select
        station_no,
        inspection_id,
        inspected_at,
        vehicle_no,
        lag(inspected_at) over in_day as last_at,
        lag(vehicle_no) over in_day as last_vehicle_no,
        count(*) over (partition by station_no, inspected_on) as n_day
    from core.visit
    window in_day as (partition by station_no, inspected_on order by inspected_at, inspection_id)
),

after_another as (
    select
        station_no,
        inspection_id,
        least(n_day, 50) as stratum,
        datesub('minute', last_at, inspected_at) < 3 and vehicle_no <> last_vehicle_no as is_close
    from in_station
    where last_at is not null
),

retest as (
    select
        station_no,
        inspection_id,
        verdict = 'pass' and datesub('minute', previous_at, inspected_at) < 60 as is_quick
    from core.visit
    where previous_n_not_ready > n_not_ready
),

graded as (
    select
        station_no,
        1 as measure_no,
        model_year as stratum,
        distance_since_clear_km < 80 as is_hit,
        inspection_id
    from core.visit
    where visit_no = 1 and distance_since_clear_km is not null
    union all
    select station_no, 2 as measure_no, stratum, is_close as is_hit, inspection_id
    from after_another
    union all
    select station_no, 3 as measure_no, 0 as stratum, is_quick as is_hit, inspection_id
    from retest
),

counted as (
    select
        station_no,
        measure_no,
        stratum,
        count(*) filter (is_hit) as n,
        count(*) as "of",
        min(inspection_id, 20) filter (is_hit) as inspection_ids
    from graded
    group by station_no, measure_no, stratum
)

select
    stations.station_id,
    ['soon_after_clear', 'close_tests', 'quick_retest'][counted.measure_no] as measure,
    cast(counted.stratum as integer) as stratum,
    counted.n,
    counted."of",
    counted.inspection_ids
from counted
join core.station as stations using (station_no)
order by stations.station_id, measure, stratum
