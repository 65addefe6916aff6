-- grain: one vehicle of the register, with or without jobs
-- key: vehicle_id
-- reads: core.vehicles, core.odometer_reading, core.setting
-- units: days, km; dates in UTC
-- leaves out: nothing; distance_km is null where it is not known
-- why: time at risk is from the later of in_service_on and the window's start to the earlier of out_of_service_on and
--   the window's end, never below 0 (contract, "Exposure"). Distance is known where the odometer was read on two
--   different days inside the window and never fell from one reading day to the next: a fall means a replaced
--   odometer or a wrong vehicle, and then no distance is better than a wrong one.

with stepped as (
    select
        vehicle_no,
        read_on,
        smallest_km,
        largest_km,
        lag(largest_km) over (partition by vehicle_no order by read_on) as previous_km
    from core.odometer_reading
),

distances as (
    select
        vehicle_no,
        min(read_on) as first_read_on,
        max(read_on) as last_read_on,
        arg_max(largest_km, read_on) - arg_min(smallest_km, read_on) as distance_km
    from stepped
    group by vehicle_no
    having count(*) >= 2 and not bool_or(coalesce(smallest_km < previous_km, false))
)

select
    vehicles.vehicle_id,
    vehicles.make,
    vehicles.model,
    greatest(
        least(vehicles.out_of_service_on, setting.to_on) - greatest(vehicles.in_service_on, setting.from_on), 0
    ) as exposure_days,
    distances.first_read_on,
    distances.last_read_on,
    distances.distance_km
from core.vehicles as vehicles
cross join core.setting as setting
left join distances on distances.vehicle_no = vehicles.rowid
