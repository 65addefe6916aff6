-- grain: one failure: a repair opened inside the window
-- key: job_id
-- reads: core.repair, core.setting
-- units: dates in UTC
-- leaves out: repairs opened before or after the window
-- why: a failure is counted once per job and component; is_comeback flags those whose vehicle had the same component
--   repaired and closed at most follow_up_days earlier, so that both rates can be given (contract, "Failure").
--   The repair it came back from may lie before the window.

with closed_before as (
    select vehicle_id, component, closed_at, closed_on
    from core.repair
    where closed_at is not null
)

select
    repair.job_id,
    repair.vehicle_id,
    repair.make,
    repair.model,
    repair.component,
    repair.opened_on,
    coalesce(repair.opened_on - closed_before.closed_on <= setting.follow_up_days, false) as is_comeback
from core.repair as repair
cross join core.setting as setting
asof left join closed_before
    on closed_before.vehicle_id = repair.vehicle_id
    and closed_before.component = repair.component
    and closed_before.closed_at < repair.opened_at
where repair.opened_on between setting.from_on and setting.to_on
