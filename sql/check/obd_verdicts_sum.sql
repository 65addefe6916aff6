-- grain: one row that breaks the check
-- key: model_year, vehicle_type
-- reads: mart.inspection_report
-- units: none
-- leaves out: nothing
-- why: (xi) + (xii) = initial tests with a verdict (40 CFR 51.366(a)(2))
-- level: fail
-- judges: select count(*) from mart.inspection_report where item = '(a)(2)(xi)' and "of" > 0

select model_year, vehicle_type, sum(n) as n_items, max("of") as n_initial
from mart.inspection_report
where item in ('(a)(2)(xi)', '(a)(2)(xii)')
group by model_year, vehicle_type
having sum(n) <> max("of") or count(*) <> 2
