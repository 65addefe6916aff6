-- grain: one vehicle, looked at once after its codes were cleared
-- key: vehicle_id
-- reads: core.inspections, core.visit, core.vehicles, core.shared_record
-- units: km, warm-ups since the codes were cleared; infinity where the counter is at its end (65535 km, 255 warm-ups)
-- leaves out: later visits of a test cycle, which are made because of what the first one showed; inspections without
--   readiness or without both counters; readings that three or more vehicles of one station share, counters not zero
-- why: how far a vehicle must be driven until a monitor is complete is known of each vehicle only as "complete at
--   this distance, or not yet". One look at each vehicle keeps looks independent; the one soonest after a clear tells
--   most, and choosing it by its distance alone favors neither state. Readings shared by several vehicles
--   are no reading of these vehicles.

with firsts as (
    select inspection_id, vehicle_id, station_id, inspected_at, distance_since_clear_km, warmups_since_clear
    from core.visit
    where
        visit_no = 1
        and n_not_ready is not null
        and (distance_since_clear_km is not null or warmups_since_clear is not null)
),

shared as (
    select distinct station_id, warmups_since_clear, distance_since_clear_km
    from core.shared_record
    where
        measure = 'repeated_record'
        and n_vehicles >= 3
        and (warmups_since_clear > 0 or distance_since_clear_km > 0)
),

own as (
    select firsts.*
    from firsts
    anti join shared
        on shared.station_id = firsts.station_id
        and shared.warmups_since_clear = firsts.warmups_since_clear
        and shared.distance_since_clear_km = firsts.distance_since_clear_km
),

soonest as (
    select
        min(
            {
                'km': coalesce(distance_since_clear_km, 'infinity'),
                'warmups': coalesce(warmups_since_clear, 256),
                'inspected_at': inspected_at,
                'inspection_id': inspection_id
            }
        ).inspection_id as inspection_id
    from own
    group by vehicle_id
)

select
    inspections.vehicle_id,
    vehicles.make,
    vehicles.model,
    inspections.inspection_id,
    case
        when inspections.distance_since_clear_km >= 65535 then 'infinity'
        else inspections.distance_since_clear_km
    end as distance_km,
    case
        when inspections.warmups_since_clear >= 255 then 'infinity'
        else cast(inspections.warmups_since_clear as double)
    end as warmups,
    inspections.monitors_supported,
    inspections.monitors_not_ready
from soonest
join core.inspections as inspections using (inspection_id)
join core.vehicles as vehicles on vehicles.vehicle_id = inspections.vehicle_id
