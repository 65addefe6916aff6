-- grain: one repair: a job with an action other than none on a component other than none_found
-- key: job_id
-- reads: core.jobs, core.vehicles, core.model_label
-- units: times and dates in UTC
-- leaves out: jobs that repaired nothing (action none) or that found nothing (component none_found)
-- why: failures, comebacks and proofs are all about repairs (contract, section 1).

select
    jobs.job_id,
    jobs.shop_id,
    jobs.technician_id,
    jobs.vehicle_id,
    vehicles.make,
    vehicles.model,
    model_label.label as model_label,
    jobs.component,
    jobs.action,
    jobs.opened_at,
    jobs.closed_at,
    cast(jobs.opened_at as date) as opened_on,
    cast(jobs.closed_at as date) as closed_on
from core.jobs as jobs
join core.vehicles as vehicles using (vehicle_id)
join core.model_label as model_label
    on model_label.make = vehicles.make and model_label.model = vehicles.model
where jobs.action <> 'none' and jobs.component <> 'none_found'
