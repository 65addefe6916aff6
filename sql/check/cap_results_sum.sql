-- grain: one row that breaks the check
-- key: model_year, vehicle_type
-- reads: mart.inspection_report
-- units: none
-- leaves out: nothing
-- why: (xv) + (xvi) + (xvii) + (xviii) = initial tests with both an OBD and a fuel cap result (40 CFR 51.366(a)(2))
-- level: fail
-- judges: select count(*) from mart.inspection_report where item = '(a)(2)(xv)' and "of" > 0

select model_year, vehicle_type, sum(n) as n_items, max("of") as n_tests
from mart.inspection_report
where item in ('(a)(2)(xv)', '(a)(2)(xvi)', '(a)(2)(xvii)', '(a)(2)(xviii)')
group by model_year, vehicle_type
having sum(n) <> max("of") or count(*) <> 4
