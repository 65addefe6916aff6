-- grain: one vehicle, looked at once after its codes were cleared
-- key: vehicle_no
-- reads: core.visit, core.shared_record
-- units: km, warm-ups since the codes were cleared; infinity where the counter is at its end (65535 km, 255 warm-ups)
-- leaves out: later visits of a test cycle, which are made because of what the first one showed; inspections without
--   readiness or without both counters; readings that three or more vehicles of one station share, counters not zero
-- why: how far a vehicle must be driven until a monitor is complete is known of each vehicle only as "complete at
--   this distance, or not yet". One look at each vehicle keeps looks independent; the one soonest after a clear tells
--   most, and choosing it by its distance alone favors neither state. Readings shared by several vehicles
--   are no reading of these vehicles.

with firsts as (
    select vehicle_no, place, station_no, distance_since_clear_km, warmups_since_clear, pattern_no
    from core.visit
    where
        visit_no = 1
        and n_not_ready is not null
        and (distance_since_clear_km is not null or warmups_since_clear is not null)
),

shared as (
    select distinct station_no, warmups_since_clear, distance_since_clear_km
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
        on shared.station_no = firsts.station_no
        and shared.warmups_since_clear = firsts.warmups_since_clear
        and shared.distance_since_clear_km = firsts.distance_since_clear_km
),

soonest as (
    select
        vehicle_no,
        min(
            {
                'km': coalesce(distance_since_clear_km, 'infinity'),
                'warmups': coalesce(warmups_since_clear, 256),
                'place': place,
                'distance_since_clear_km': distance_since_clear_km,
                'warmups_since_clear': warmups_since_clear,
                'pattern_no': pattern_no
            }
        ) as look
    from own
    group by vehicle_no
)

select
    soonest.vehicle_no,
    soonest.look.place as place,
    soonest.look.pattern_no as pattern_no,
    case
        when soonest.look.distance_since_clear_km >= 65535 then 'infinity'
        else soonest.look.distance_since_clear_km
    end as distance_km,
    case
        when soonest.look.warmups_since_clear >= 255 then 'infinity'
        else cast(soonest.look.warmups_since_clear as double)
    end as warmups
from soonest
