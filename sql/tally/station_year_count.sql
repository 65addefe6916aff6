-- grain: one measure of one inspection station in one model year
-- key: station_id, measure, model_year
-- reads: core.cycle, core.visit, core.station
-- units: inspections
-- leaves out: inspections in which the measure is not known
-- why: a station is compared with what its own mix of model years would bring anywhere. initial_failure counts initial
--   tests, at the station that made them; not_ready counts every visit with readiness known and at least one
--   monitor not complete. inspection_ids names the records behind a count, at most 20.

with counted as (
    select
        initial_station_no as station_no,
        'initial_failure' as measure,
        model_year,
        count(*) filter (initial_verdict = 'fail') as n,
        count(*) as "of",
        min(initial_inspection_id, 20) filter (initial_verdict = 'fail') as inspection_ids
    from core.cycle
    where initial_verdict is not null
    group by initial_station_no, model_year
    union all
    select
        station_no,
        'not_ready' as measure,
        model_year,
        count(*) filter (n_not_ready > 0) as n,
        count(*) as "of",
        min(inspection_id, 20) filter (n_not_ready > 0) as inspection_ids
    from core.visit
    where n_not_ready is not null
    group by station_no, model_year
)

select
    stations.station_id,
    counted.measure,
    cast(counted.model_year as bigint) as model_year,
    counted.n,
    counted."of",
    counted.inspection_ids
from counted
join core.station as stations using (station_no)
order by stations.station_id, counted.measure, counted.model_year
