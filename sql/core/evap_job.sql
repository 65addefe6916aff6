-- grain: one instant at which a vehicle had an EVAP job opened
-- key: vehicle_id, opened_at
-- reads: core.jobs, core.evap_code
-- units: times in UTC
-- leaves out: jobs whose component is none_found or other and that carry no EVAP trouble code
-- why: a comeback is the first of these after a repair was closed (contract, "Comeback"). Two jobs opened at the
--   same instant are one comeback; the smaller job_id stands for both, so that a run repeats itself.

with coded as (
    select distinct listed.job_id
    from (select job_id, unnest(trouble_codes) as trouble_code from core.jobs) as listed
    join core.evap_code on core.evap_code.trouble_code = upper(trim(listed.trouble_code))
)

select
    jobs.vehicle_id,
    jobs.opened_at,
    cast(jobs.opened_at as date) as opened_on,
    min(jobs.job_id) as job_id
from core.jobs as jobs
left join coded on coded.job_id = jobs.job_id
where jobs.component not in ('none_found', 'other') or coded.job_id is not null
group by jobs.vehicle_id, jobs.opened_at
