-- grain: one component that failed three times or more on one vehicle
-- key: vehicle_id, component
-- reads: core.failure, core.jobs
-- units: dates in UTC
-- leaves out: failures opened outside the window; pairs that failed less than three times
-- why: names the vehicles on which it comes back. Three: a second failure of a part may well be chance.

select
    failure.vehicle_id,
    min(failure.make) as make,
    min(failure.model) as model,
    failure.component,
    count(*) as n_failures,
    count(*) filter (failure.is_comeback) as n_comebacks,
    count(distinct jobs.shop_id) as n_shops,
    min(failure.opened_on) as first_on,
    max(failure.opened_on) as last_on,
    arg_max(failure.job_id, (jobs.opened_at, failure.job_id)) as last_job_id,
    arg_max(jobs.shop_id, (jobs.opened_at, failure.job_id)) as last_shop_id
from core.failure as failure
join core.jobs as jobs using (job_id)
group by failure.vehicle_id, failure.component
having count(*) >= 3
order by failure.vehicle_id, failure.component
