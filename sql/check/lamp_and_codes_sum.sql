-- grain: one row that breaks the check
-- key: model_year, vehicle_type
-- reads: mart.inspection_report
-- units: none
-- leaves out: nothing
-- why: (xix) + (xx) + (xxi) + (xxii) = first visits with lamp and codes known (40 CFR 51.366(a)(2))
-- level: fail
-- judges: select count(*) from mart.inspection_report where item = '(a)(2)(xix)' and "of" > 0

select model_year, vehicle_type, sum(n) as n_items, max("of") as n_visits
from mart.inspection_report
where item in ('(a)(2)(xix)', '(a)(2)(xx)', '(a)(2)(xxi)', '(a)(2)(xxii)')
group by model_year, vehicle_type
having sum(n) <> max("of") or count(*) <> 4
