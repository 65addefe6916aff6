-- grain: one row that breaks the check
-- key: model_year, vehicle_type
-- reads: mart.cycle_outcome
-- units: none
-- leaves out: nothing
-- why: every cycle that failed initially has exactly one outcome: 40 CFR 51.366(a)(2)(i) = passed the first retest, passed
--   a later one, waived, no known final outcome, or open (a closed cohort has none open)
-- level: fail
-- judges: select count(*) from mart.cycle_outcome where n_initial_fail > 0

select
    model_year,
    vehicle_type,
    n_initial_fail,
    n_passed_first_retest,
    n_passed_later_retest,
    n_waived,
    n_unknown,
    n_open
from mart.cycle_outcome
where n_initial_fail <> n_passed_first_retest + n_passed_later_retest + n_waived + n_unknown + n_open
