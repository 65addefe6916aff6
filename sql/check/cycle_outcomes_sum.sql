-- grain: one row that breaks the check
-- key: model_year, vehicle_type
-- reads: tally.inspection_count
-- units: none
-- leaves out: nothing
-- why: every cycle that failed initially has exactly one outcome: initial fails = (iii) + (iv) + (v) + (vi) + open, less
--   those that passed and were waived at once
--   (40 CFR 51.366(a)(2); a closed cohort has none open)
-- level: fail
-- judges: select count(*) from tally.inspection_count where n_initial_fail > 0

select
    model_year,
    vehicle_type,
    n_initial_fail,
    n_first_retest_pass,
    n_later_retest_pass,
    n_waived,
    n_unknown,
    n_open,
    n_waived_and_passed
from tally.inspection_count
where n_initial_fail <> n_first_retest_pass + n_later_retest_pass + n_waived + n_unknown + n_open - n_waived_and_passed
