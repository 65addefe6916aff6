-- grain: one failure: a repair opened inside the window
-- key: job_id
-- reads: core.repair, core.follow_up, core.setting
-- units: dates in UTC
-- leaves out: repairs opened before or after the window
-- why: a failure is counted once per job and component; is_comeback flags those that are the comeback of a repair of the
--   same component, so that both rates can be given (contract, "Failure" and "Comeback"). The comeback is the first
--   EVAP job after that repair was closed; all lines opened at that same instant belong to it.

with comebacks as (
    select distinct vehicle_id, component, comeback_opened_at as opened_at
    from core.follow_up
    where is_comeback
)

select
    repair.job_id,
    repair.vehicle_id,
    repair.make,
    repair.model,
    repair.component,
    repair.action,
    repair.opened_on,
    comebacks.vehicle_id is not null as is_comeback
from core.repair as repair
cross join core.setting as setting
left join comebacks
    on comebacks.vehicle_id = repair.vehicle_id
    and comebacks.component = repair.component
    and comebacks.opened_at = repair.opened_at
where repair.opened_on between setting.from_on and setting.to_on
