-- grain: one day on which a vehicle's odometer was read
-- key: vehicle_no, read_on
-- reads: core.vehicles, core.jobs, core.inspection_record, core.setting
-- units: km; dates in UTC
-- leaves out: readings outside the window
-- why: distance needs readings from wherever they were taken: the register, jobs and inspections.
--   A day's smallest and largest readings are kept, since the register gives a day and no time.
--   vehicle_no is the vehicle's rowid in core.vehicles.

with readings as (
    select cast(rowid as integer) as vehicle_no, odometer_on as read_on, odometer_km from core.vehicles
    union all
    select
        cast(vehicles.rowid as integer) as vehicle_no,
        cast(jobs.opened_at as date) as read_on,
        jobs.odometer_km
    from core.jobs as jobs
    join core.vehicles as vehicles using (vehicle_id)
    union all
    select vehicle_no, cast(make_timestamp(epoch_us(inspected_at)) as date) as read_on, odometer_km
    from core.inspection_record
)

select
    readings.vehicle_no,
    readings.read_on,
    min(readings.odometer_km) as smallest_km,
    max(readings.odometer_km) as largest_km
from readings
cross join core.setting as setting
where
    readings.odometer_km is not null
    and readings.read_on between setting.from_on and setting.to_on
group by readings.vehicle_no, readings.read_on
