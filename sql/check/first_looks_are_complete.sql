-- grain: one row that breaks the check
-- key: make, model, trouble_code
-- reads: mart.first_look
-- units: none
-- leaves out: nothing
-- why: under one code on one model the chances of all places sum to 1, and their finds to the repairs that found a fault
-- level: fail
-- judges: select count(*) from mart.first_look

select make, model, trouble_code, sum(probability) as chances, sum(n_found) as finds, max(n_jobs) as repairs
from mart.first_look
group by make, model, trouble_code
having abs(sum(probability) - 1) > 1e-9 or sum(n_found) <> max(n_jobs) or max("rank") <> count(*)
