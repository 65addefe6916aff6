-- grain: one stretch of one component's life in one vehicle, under observation from start_on to end_on
-- key: vehicle_id, component, end_on, job_id
-- reads: core.vehicles, core.repair, core.failure, core.setting
-- units: days; dates in UTC
-- leaves out: components that never failed inside the window; failures opened before the vehicle went into service or
--   after it left, or after a repair of the component that never closed and beyond the follow-up window of all that is
--   known of the repairs before; time before the window, after it, and while a repair of the component was open
-- why: the first unit starts at in_service_on, the next one when the repair that replaced it was closed (contract,
--   "Life"). Any other repair leaves the unit as old as it was: the same unit goes on under observation once the
--   repair is closed. A failure opened before an earlier repair of the component was closed has no stretch before it:
--   it starts and ends on the day it was opened. A repair that never closed ends the observation: how
--   long it went on is not known, so that a failure long after it is neither its return nor seen. is_return tells
--   the failures within the follow-up window after a repair of the same component: they count against that repair
--   and not against the part.

with components as (
    select distinct component from core.failure
),

repairs as (
    select
        vehicle_id,
        component,
        job_id,
        opened_at,
        opened_on,
        max(coalesce(closed_at, timestamptz 'infinity')) over (
            partition by vehicle_id, component
            order by opened_at, job_id
            rows between unbounded preceding and 1 preceding
        ) as busy_until,
        max(coalesce(closed_on, opened_on)) over (
            partition by vehicle_id, component
            order by opened_at, job_id
            rows between unbounded preceding and 1 preceding
        ) as known_on
    from core.repair
),

replacements as (
    select vehicle_id, component, closed_at, closed_on
    from core.repair
    where action = 'replaced' and closed_at is not null
),

failing as (
    select
        repairs.vehicle_id,
        repairs.component,
        repairs.job_id,
        repairs.opened_on,
        replacements.closed_on as replaced_on,
        repairs.busy_until = timestamptz 'infinity' as is_after_open,
        repairs.known_on,
        case
            when repairs.busy_until < repairs.opened_at then cast(repairs.busy_until as date)
            when repairs.busy_until is not null then repairs.opened_on
        end as free_on
    from repairs
    asof left join replacements
        on replacements.vehicle_id = repairs.vehicle_id
        and replacements.component = repairs.component
        and replacements.closed_at < repairs.opened_at
),

latest as (
    select
        repair.vehicle_id,
        repair.component,
        max(coalesce(repair.closed_at, timestamptz 'infinity')) as busy_until,
        max(repair.closed_on) filter (repair.action = 'replaced') as replaced_on
    from core.repair as repair
    cross join core.setting as setting
    where repair.opened_on <= setting.to_on
    group by repair.vehicle_id, repair.component
),

stretches as (
    select
        vehicles.vehicle_id,
        vehicles.make,
        vehicles.model,
        failing.component,
        failing.job_id,
        greatest(vehicles.in_service_on, failing.replaced_on) as born_on,
        failing.replaced_on is null as is_first_unit,
        failing.free_on,
        failing.opened_on as end_on,
        true as is_failure
    from failing
    join core.vehicles as vehicles using (vehicle_id)
    cross join core.setting as setting
    where failing.opened_on between setting.from_on and setting.to_on
        and failing.opened_on >= vehicles.in_service_on
        and (vehicles.out_of_service_on is null or failing.opened_on <= vehicles.out_of_service_on)
        and not (
            coalesce(failing.is_after_open, false)
            and failing.opened_on > failing.known_on + setting.follow_up_days
        )
    union all
    select
        vehicles.vehicle_id,
        vehicles.make,
        vehicles.model,
        components.component,
        null as job_id,
        greatest(vehicles.in_service_on, latest.replaced_on) as born_on,
        latest.replaced_on is null as is_first_unit,
        cast(latest.busy_until as date) as free_on,
        least(vehicles.out_of_service_on, setting.to_on) as end_on,
        false as is_failure
    from core.vehicles as vehicles
    cross join components
    cross join core.setting as setting
    left join latest
        on latest.vehicle_id = vehicles.vehicle_id
        and latest.component = components.component
    where latest.busy_until is null or latest.busy_until < timestamptz 'infinity'
),

freed as (
    select
        stretches.*,
        greatest(stretches.born_on, setting.from_on, stretches.free_on) as freed_on,
        coalesce(stretches.free_on + setting.follow_up_days, date '-infinity') as told_on
    from stretches
    cross join core.setting as setting
)

select
    vehicle_id,
    make,
    model,
    component,
    job_id,
    is_first_unit,
    born_on,
    greatest(freed_on, least(told_on, end_on)) as start_on,
    end_on,
    is_failure,
    is_failure and end_on <= told_on as is_return,
    greatest(least(told_on, end_on) - freed_on, 0) as unseen_days
from freed
where is_failure or freed_on < end_on
