-- grain: one row that breaks the check
-- key: n_tests
-- reads: core.cycle, mart.inspection_station
-- units: none
-- leaves out: nothing
-- why: (a)(3) summed over stations and model years is all initial tests, and volume x rate all initial fails: retests
--   never enter (40 CFR 51.366(a)(3) and (4))
-- level: fail
-- judges: select count(*) from mart.inspection_station

with stations as (
    select
        coalesce(sum(n_initial), 0) as n_tests,
        coalesce(sum(n_initial_fail), 0) as n_fails,
        coalesce(round(sum(n_initial * initial_failure_percent / 100)), 0) as n_fails_by_rate
    from mart.inspection_station
),

cycles as (
    select count(initial_verdict) as n_tests, count(*) filter (initial_verdict = 'fail') as n_fails
    from core.cycle
)

select stations.*, cycles.n_tests as n_tests_of_cycles, cycles.n_fails as n_fails_of_cycles
from stations
cross join cycles
where
    stations.n_tests <> cycles.n_tests
    or stations.n_fails <> cycles.n_fails
    or stations.n_fails_by_rate <> cycles.n_fails
