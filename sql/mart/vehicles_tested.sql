-- grain: one model year and vehicle type that has an inspection
-- key: model_year, vehicle_type
-- reads: core.cycle
-- units: vehicles
-- leaves out: nothing; vehicle_type is null where the register does not say it
-- why: 40 CFR 51.366(a)(1) asks for vehicles, not tests: a vehicle with several test cycles counts once. A vehicle is
--   tested when one of its visits has a verdict; those seen without any, such as a return alone, are told beside it.

with later as (
    select model_year, vehicle_type, count(distinct vehicle_no) as n_vehicles
    from core.cycle
    where
        initial_verdict is not null
        and vehicle_no in (select vehicle_no from core.cycle where cycle_no = 1 and initial_verdict is null)
    group by model_year, vehicle_type
),

first as (
    select
        model_year,
        vehicle_type,
        count(*) filter (cycle_no = 1 and initial_verdict is not null) as n_vehicles,
        count(*) filter (cycle_no = 1) as n_vehicles_seen,
        count(initial_verdict) as n_initial
    from core.cycle
    group by model_year, vehicle_type
)

select
    cast(first.model_year as bigint) as model_year,
    first.vehicle_type,
    first.n_vehicles + coalesce(later.n_vehicles, 0) as n_vehicles,
    first.n_vehicles_seen,
    first.n_initial
from first
left join later
    on later.model_year = first.model_year and later.vehicle_type is not distinct from first.vehicle_type
order by first.model_year, first.vehicle_type
