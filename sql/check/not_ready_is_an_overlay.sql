-- grain: one row that breaks the check
-- key: n_reported
-- reads: core.visit, mart.inspection_report
-- units: none
-- leaves out: nothing
-- why: (xxiii) counts every first visit with a monitor unset, those that pass all the same included
--   (40 CFR 51.366(a)(2)(xxiii) with 85.2222(c)(2))
-- level: fail
-- judges: select count(*) from core.visit where visit_no = 1 and n_not_ready > 0 and verdict = 'pass'

with reported as (
    select coalesce(sum(n), 0) as n_reported from mart.inspection_report where item = '(a)(2)(xxiii)'
),

seen as (
    select count(*) filter (n_not_ready > 0) as n_seen from core.visit where visit_no = 1
)

select reported.n_reported, seen.n_seen
from reported
cross join seen
where reported.n_reported <> seen.n_seen
