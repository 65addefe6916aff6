-- grain: one component that was repaired under one trouble code on one model
-- key: make, model, trouble_code, component
-- reads: core.failure, core.follow_up, core.repair, core.evap_code_of_job, mart.repair_check
-- units: none
-- leaves out: repairs opened outside the window; repairs of `other`, which is no place to look at; repairs that did not
--   find the fault: the vehicle came back within the follow-up window and another component was repaired, or the
--   recording after the repair disproved it
-- why: where the fault was is known from the repairs that found it. A repair counts under each EVAP trouble code of its
--   job, and under * whatever its codes, so that a job without a code counts too.

with elsewhere as (
    select follow_up.job_id
    from core.follow_up as follow_up
    join core.repair as again
        on again.vehicle_id = follow_up.vehicle_id
        and again.opened_at = follow_up.comeback_opened_at
    where follow_up.is_comeback
    group by follow_up.job_id
    having bool_and(again.component <> follow_up.component)
),

found as (
    select failure.job_id, failure.make, failure.model, failure.component
    from core.failure as failure
    left join elsewhere using (job_id)
    left join mart.repair_check as repair_check using (job_id)
    where failure.component <> 'other'
        and elsewhere.job_id is null
        and repair_check.verified is distinct from 'disproved'
),

coded as (
    select found.job_id, found.make, found.model, found.component, evap_code_of_job.trouble_code
    from found
    join core.evap_code_of_job as evap_code_of_job using (job_id)
    union all
    select job_id, make, model, component, '*' as trouble_code from found
)

select make, model, trouble_code, component, count(*) as n_found
from coded
group by make, model, trouble_code, component
order by make, model, trouble_code, component
