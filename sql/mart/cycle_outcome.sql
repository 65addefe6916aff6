-- grain: one model year and vehicle type that has an inspection
-- key: model_year, vehicle_type
-- reads: tally.inspection_count
-- units: test cycles
-- leaves out: cycles that passed initially or have no verdict; vehicle_type is null where the register does not say it
-- why: the items (iii) to (vi) of 40 CFR 51.366(a)(2) do not add up to (i): a cycle that failed a short while ago may
--   still end well, and is neither. Here every cycle that failed initially stands once, the open ones apart.

select
    model_year,
    vehicle_type,
    n_initial_fail,
    n_first_retest_pass as n_passed_first_retest,
    n_later_retest_pass as n_passed_later_retest,
    n_waived - n_waived_and_passed as n_waived,
    n_unknown,
    n_open,
    n_waived_and_passed as n_passed_and_waived
from tally.inspection_count
order by model_year, vehicle_type
