-- grain: one year of age of the vehicles of one model, model year and fleet that were in service inside the window
-- key: make, model, model_year, fleet_id, age_year
-- reads: core.vehicle_age, core.vehicles
-- units: whole years of age since in_service_on (365.25 days); days
-- leaves out: vehicles without a day in service inside the window
-- why: vehicles of an older model year are older, so groups of one model are compared age by age. The days add up to
--   those of core.exposure; a vehicle is counted once, at the age at which the window found it (n_vehicles).

with aged as (
    select
        vehicles.make,
        vehicles.model,
        vehicles.model_year,
        vehicles.fleet_id,
        vehicle_age.entry_days,
        vehicle_age.end_days,
        cast(floor(vehicle_age.entry_days / 365.25) as bigint) as first_year,
        cast(floor((vehicle_age.end_days - 1) / 365.25) as bigint) as last_year
    from core.vehicle_age as vehicle_age
    join core.vehicles as vehicles using (vehicle_id)
),

years as (
    select aged.*, unnest(range(first_year, last_year + 1)) as age_year
    from aged
)

select
    make,
    model,
    model_year,
    fleet_id,
    age_year,
    count(*) filter (age_year = first_year) as n_vehicles,
    cast(
        sum(
            least(end_days, cast(ceil(365.25 * (age_year + 1)) as bigint))
            - greatest(entry_days, cast(ceil(365.25 * age_year) as bigint))
        ) as bigint
    ) as exposure_days
from years
group by make, model, model_year, fleet_id, age_year
order by make, model, model_year, fleet_id, age_year
