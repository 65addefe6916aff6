-- grain: one instant at which a vehicle had an EVAP job opened
-- key: vehicle_id, opened_at
-- reads: core.jobs, core.evap_code_of_job
-- units: times in UTC
-- leaves out: jobs whose component is none_found or other and that carry no EVAP trouble code
-- why: a comeback is the first of these after a repair was closed (contract, "Comeback"). Two jobs opened at the
--   same instant are one comeback; the smaller job_id stands for both, so that a run repeats itself.

select
    jobs.vehicle_id,
    jobs.opened_at,
    cast(jobs.opened_at as date) as opened_on,
    min(jobs.job_id) as job_id
from core.jobs as jobs
where jobs.component not in ('none_found', 'other') or jobs.job_id in (select job_id from core.evap_code_of_job)
group by jobs.vehicle_id, jobs.opened_at
