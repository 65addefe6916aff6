-- grain: one repair that came back, with what the visit that it came back as cost
-- key: job_id
-- reads: core.follow_up, core.jobs
-- units: hours; money in the stated currency
-- leaves out: repairs that did not come back
-- why: what a comeback costs is what the next visit took: all lines of the vehicle opened at that same instant. Hours and
--   money are null where a line does not carry them, or where the lines are in several currencies: a part is no whole.

select
    follow_up.job_id,
    case when count(jobs.labor_h) = count(*) then sum(jobs.labor_h) end as labor_h,
    case
        when count(jobs.parts_cost) = count(*) and count(jobs.currency) = count(*) and count(distinct jobs.currency) = 1
            then sum(jobs.parts_cost)
    end as parts_cost,
    case when count(distinct jobs.currency) = 1 then min(jobs.currency) end as currency
from core.follow_up as follow_up
join core.jobs as jobs
    on jobs.vehicle_id = follow_up.vehicle_id and jobs.opened_at = follow_up.comeback_opened_at
where follow_up.is_comeback
group by follow_up.job_id
order by follow_up.job_id
