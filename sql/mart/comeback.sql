-- grain: one repair that came back
-- key: job_id
-- reads: core.follow_up, core.repair, core.jobs, mart.repair_check, tally.comeback_cost
-- units: days, hours; money in the stated currency; dates in UTC
-- leaves out: repairs that did not come back, were still open, or were closed outside the window
-- why: the list behind n_comebacks of mart.first_time_fix: whose repair came back, to whom, and with what proof. What a
--   comeback costs is what its whole visit took.

with same_again as (
    select distinct follow_up.job_id
    from core.follow_up as follow_up
    join core.repair as repair
        on repair.vehicle_id = follow_up.vehicle_id
        and repair.component = follow_up.component
        and repair.opened_at = follow_up.comeback_opened_at
)

select
    follow_up.job_id,
    follow_up.shop_id,
    follow_up.technician_id,
    follow_up.vehicle_id,
    follow_up.make,
    follow_up.model,
    follow_up.component,
    repair_check.action,
    follow_up.closed_on,
    follow_up.comeback_job_id,
    follow_up.time_days as days,
    comeback_job.shop_id as comeback_shop_id,
    same_again.job_id is not null as is_same_component,
    repair_check.verified,
    repair_check.evidence_agrees,
    comeback_cost.labor_h,
    comeback_cost.parts_cost,
    comeback_cost.currency
from core.follow_up as follow_up
join core.jobs as comeback_job on comeback_job.job_id = follow_up.comeback_job_id
join mart.repair_check as repair_check on repair_check.job_id = follow_up.job_id
join tally.comeback_cost as comeback_cost on comeback_cost.job_id = follow_up.job_id
left join same_again on same_again.job_id = follow_up.job_id
where follow_up.is_comeback
order by follow_up.job_id
