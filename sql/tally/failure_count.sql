-- grain: one component of one model
-- key: make, model, component
-- reads: core.exposure, core.failure
-- units: days, km
-- leaves out: components that never failed on any model inside the window
-- why: a rate needs the vehicles that did not fail, so every model of the register meets every component that failed
--   anywhere. Failures by distance are those of vehicles whose distance is known, opened after the first reading's
--   day and up to the last reading's day: readings are often taken at a failure, and the failure that starts the
--   distance did not happen in it.

with models as (
    select
        make,
        model,
        count(*) as n_vehicles,
        sum(exposure_days) as exposure_days,
        sum(distance_km) as vehicle_km,
        count(distance_km) as n_vehicles_km
    from core.exposure
    group by make, model
),

components as (
    select distinct component from core.failure
),

failures as (
    select
        failure.make,
        failure.model,
        failure.component,
        count(*) as n_failures,
        count(*) filter (failure.is_comeback) as n_comebacks,
        count(*) filter (failure.action = 'replaced') as n_replaced,
        count(*) filter (
            exposure.distance_km is not null
            and failure.opened_on > exposure.first_read_on
            and failure.opened_on <= exposure.last_read_on
        ) as n_failures_km
    from core.failure as failure
    join core.exposure as exposure using (vehicle_id)
    group by failure.make, failure.model, failure.component
)

select
    models.make,
    models.model,
    components.component,
    coalesce(failures.n_failures, 0) as n_failures,
    coalesce(failures.n_comebacks, 0) as n_comebacks,
    coalesce(failures.n_replaced, 0) as n_replaced,
    models.n_vehicles,
    cast(models.exposure_days as bigint) as exposure_days,
    models.vehicle_km,
    models.n_vehicles_km,
    case when models.n_vehicles_km > 0 then coalesce(failures.n_failures_km, 0) end as n_failures_km
from models
cross join components
left join failures
    on failures.make = models.make
    and failures.model = models.model
    and failures.component = components.component
order by models.make, models.model, components.component
