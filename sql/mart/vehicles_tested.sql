-- grain: one model year and vehicle type that has an inspection
-- key: model_year, vehicle_type
-- reads: core.cycle
-- units: vehicles
-- leaves out: nothing; vehicle_type is null where the register does not say it
-- why: 40 CFR 51.366(a)(1) asks for vehicles, not tests: a vehicle with several test cycles counts once. A vehicle is
--   tested when one of its visits has a verdict; those seen without any, such as a return alone, are told beside it.

select
    model_year,
    vehicle_type,
    count(distinct vehicle_id) filter (initial_verdict is not null) as n_vehicles,
    count(distinct vehicle_id) as n_vehicles_seen,
    count(initial_verdict) as n_initial
from core.cycle
group by model_year, vehicle_type
order by model_year, vehicle_type
