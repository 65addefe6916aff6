-- grain: one measure of one inspection station in one stratum
-- key: station_id, measure, stratum
-- reads: core.visit
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
        station_id,
        inspection_id,
        inspected_at,
        vehicle_id,
        lag(inspected_at) over in_day as last_at,
        lag(vehicle_id) over in_day as last_vehicle_id,
        count(*) over (partition by station_id, inspected_on) as n_day
    from core.visit
    window in_day as (partition by station_id, inspected_on order by inspected_at, inspection_id)
),

graded as (
    select
        station_id,
        'soon_after_clear' as measure,
        model_year as stratum,
        distance_since_clear_km < 80 as is_hit,
        inspection_id
    from core.visit
    where visit_no = 1 and distance_since_clear_km is not null
    union all
    select
        station_id,
        'close_tests' as measure,
        least(n_day, 50) as stratum,
        inspected_at - last_at < interval 3 minute and vehicle_id <> last_vehicle_id as is_hit,
        inspection_id
    from in_station
    where last_at is not null
    union all
    select
        station_id,
        'quick_retest' as measure,
        0 as stratum,
        verdict = 'pass' and inspected_at - previous_at < interval 60 minute as is_hit,
        inspection_id
    from core.visit
    where previous_n_not_ready > n_not_ready
)

select
    station_id,
    measure,
    cast(stratum as integer) as stratum,
    count(*) filter (is_hit) as n,
    count(*) as "of",
    min(inspection_id, 20) filter (is_hit) as inspection_ids
from graded
group by station_id, measure, stratum
order by station_id, measure, stratum
