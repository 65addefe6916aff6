-- grain: one day on which a vehicle's odometer was read
-- key: vehicle_id, read_on
-- reads: core.vehicles, core.jobs, core.inspections, core.setting
-- units: km; dates in UTC
-- leaves out: readings outside the window
-- why: distance needs readings from wherever they were taken: the register, jobs and inspections.
--   A day's smallest and largest readings are kept, since the register gives a day and no time.

with readings as (
    select vehicle_id, odometer_on as read_on, odometer_km from core.vehicles
    union all
    select vehicle_id, cast(opened_at as date) as read_on, odometer_km from core.jobs
    union all
    select vehicle_id, cast(inspected_at as date) as read_on, odometer_km from core.inspections
)

select
    readings.vehicle_id,
    readings.read_on,
    min(readings.odometer_km) as smallest_km,
    max(readings.odometer_km) as largest_km
from readings
cross join core.setting as setting
where
    readings.odometer_km is not null
    and readings.read_on between setting.from_on and setting.to_on
group by readings.vehicle_id, readings.read_on
