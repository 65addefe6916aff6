-- grain: one repair that came back, with what the job that it came back as cost
-- key: job_id
-- reads: core.follow_up, core.jobs
-- units: hours; money in the stated currency
-- leaves out: repairs that did not come back
-- why: what a comeback costs is what the next job took; hours and money are null where the record does not carry them.

select
    follow_up.job_id,
    jobs.labor_h,
    jobs.parts_cost,
    jobs.currency
from core.follow_up as follow_up
join core.jobs as jobs on jobs.job_id = follow_up.comeback_job_id
where follow_up.is_comeback
order by follow_up.job_id
