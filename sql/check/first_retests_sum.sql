-- grain: one row that breaks the check
-- key: model_year, vehicle_type
-- reads: tally.inspection_count
-- units: none
-- leaves out: nothing
-- why: first retests = (ii) + (iii), and there are no more of them than initial fails (40 CFR 51.366(a)(2))
-- level: fail
-- judges: select count(*) from tally.inspection_count where n_first_retest > 0

select model_year, vehicle_type, n_initial_fail, n_first_retest, n_first_retest_fail, n_first_retest_pass
from tally.inspection_count
where n_first_retest <> n_first_retest_fail + n_first_retest_pass or n_first_retest > n_initial_fail
