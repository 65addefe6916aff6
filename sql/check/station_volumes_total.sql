-- grain: one row that breaks the check
-- key: measure
-- reads: core.cycle, mart.station_look
-- units: none
-- leaves out: nothing
-- why: initial tests summed over stations are all initial tests, and volume x rate is all initial fails: retests
--   never enter (40 CFR 51.366(a)(3) and (4))
-- level: fail
-- judges: select count(*) from mart.station_look where measure = 'initial_failure' and "of" > 0

with stations as (
    select coalesce(sum("of"), 0) as n_tests, coalesce(sum(n), 0) as n_fails
    from mart.station_look
    where measure = 'initial_failure'
),

cycles as (
    select count(initial_verdict) as n_tests, count(*) filter (initial_verdict = 'fail') as n_fails
    from core.cycle
)

select
    'initial_failure' as measure,
    stations.n_tests as n_tests_of_stations,
    cycles.n_tests,
    stations.n_fails as n_fails_of_stations,
    cycles.n_fails
from stations
cross join cycles
where stations.n_tests <> cycles.n_tests or stations.n_fails <> cycles.n_fails
