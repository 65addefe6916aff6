-- grain: one day of one component of the vehicles of one model year of a model
-- key: make, model, component, model_year, failed_on
-- reads: core.unit_life, core.vehicles
-- units: dates in UTC
-- leaves out: failures within the follow-up window after a repair of the same component (returns), as alarms do; those
--   that no stretch of life ends with
-- why: where a chart of failures month by month rises, the model years say on which vehicles.

select
    unit_life.make,
    unit_life.model,
    unit_life.component,
    vehicles.model_year,
    unit_life.end_on as failed_on,
    count(*) as n_failures
from core.unit_life as unit_life
join core.vehicles as vehicles using (vehicle_id)
where unit_life.is_failure and not unit_life.is_return
group by all
order by all
