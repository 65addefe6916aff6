-- grain: one component of the vehicles of one model, model year and fleet at one year of age
-- key: make, model, component, model_year, fleet_id, age_year
-- reads: core.failure, core.vehicle_age, core.vehicles
-- units: whole years of age since in_service_on (365.25 days)
-- leaves out: comebacks on the same component; failures of vehicles without a day in service inside the window
-- why: comebacks follow a failure, so that counts with them scatter more than a test of rates supposes. A failure before
--   or after the time in service counts at the nearest age that was: failure_rate counts it too.

select
    vehicles.make,
    vehicles.model,
    failure.component,
    vehicles.model_year,
    vehicles.fleet_id,
    cast(
        floor(
            greatest(
                vehicle_age.entry_days,
                least(failure.opened_on - vehicles.in_service_on, vehicle_age.end_days - 1)
            ) / 365.25
        ) as bigint
    ) as age_year,
    count(*) as n_failures
from core.failure as failure
join core.vehicle_age as vehicle_age using (vehicle_id)
join core.vehicles as vehicles using (vehicle_id)
where not failure.is_comeback
group by all
order by all
