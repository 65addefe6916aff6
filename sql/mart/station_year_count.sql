-- grain: one measure of one inspection station in one model year
-- key: station_id, measure, model_year
-- reads: core.cycle, core.visit
-- units: inspections
-- leaves out: inspections in which the measure is not known
-- why: a station is compared with what its own mix of model years would bring anywhere. initial_failure counts initial
--   tests, at the station that made them; not_ready counts every visit with readiness known and at least one
--   monitor not complete. inspection_ids names the records behind a count, at most 20.

with graded as (
    select
        initial_station_id as station_id,
        'initial_failure' as measure,
        model_year,
        initial_verdict = 'fail' as is_hit,
        initial_inspection_id as inspection_id
    from core.cycle
    where initial_verdict is not null
    union all
    select station_id, 'not_ready' as measure, model_year, n_not_ready > 0 as is_hit, inspection_id
    from core.visit
    where n_not_ready is not null
)

select
    station_id,
    measure,
    model_year,
    count(*) filter (is_hit) as n,
    count(*) as "of",
    min(inspection_id, 20) filter (is_hit) as inspection_ids
from graded
group by station_id, measure, model_year
order by station_id, measure, model_year
