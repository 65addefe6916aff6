-- grain: one model year and vehicle type that has a test cycle
-- key: model_year, vehicle_type
-- reads: core.cycle
-- units: test cycles
-- leaves out: nothing; vehicle_type is null where the register does not say it
-- why: the counts behind the items of 40 CFR 51.366(a)(2), each with what it could have counted. A visit that passes
--   and is marked waived counts in both items, and is told apart in n_waived_and_passed.

select
    cast(cycles.model_year as bigint) as model_year,
    vehicle_type,
    count(*) as n_cycles,
    count(initial_verdict) as n_initial,
    count(*) filter (initial_verdict = 'pass') as n_initial_pass,
    count(*) filter (initial_verdict = 'fail') as n_initial_fail,
    count(retest_verdict) as n_first_retest,
    count(*) filter (retest_verdict = 'fail') as n_first_retest_fail,
    count(*) filter (retest_verdict = 'pass') as n_first_retest_pass,
    count(*) filter (outcome = 'passed_later_retest') as n_later_retest_pass,
    count(*) filter (is_waived and initial_verdict = 'fail') as n_waived,
    count(*) filter (is_waived and outcome in ('passed_first_retest', 'passed_later_retest')) as n_waived_and_passed,
    count(*) filter (outcome = 'unknown') as n_unknown,
    count(*) filter (outcome = 'open') as n_open,
    count(*) filter (initial_verdict is not null and initial_cap_result is not null) as n_with_cap,
    count(*) filter (initial_verdict = 'pass' and initial_cap_result = 'fail') as n_obd_pass_cap_fail,
    count(*) filter (initial_verdict = 'fail' and initial_cap_result = 'pass') as n_obd_fail_cap_pass,
    count(*) filter (initial_verdict = 'pass' and initial_cap_result = 'pass') as n_both_pass,
    count(*) filter (initial_verdict = 'fail' and initial_cap_result = 'fail') as n_both_fail,
    count(*) filter (is_first_mil_on is not null and is_first_with_codes is not null) as n_with_lamp_and_codes,
    count(*) filter (is_first_mil_on and not is_first_with_codes) as n_lamp_no_codes,
    count(*) filter (not is_first_mil_on and is_first_with_codes) as n_no_lamp_codes,
    count(*) filter (is_first_mil_on and is_first_with_codes) as n_lamp_codes,
    count(*) filter (not is_first_mil_on and not is_first_with_codes) as n_no_lamp_no_codes,
    count(is_first_not_ready) as n_with_readiness,
    count(*) filter (is_first_not_ready) as n_not_ready
from core.cycle as cycles
group by cycles.model_year, vehicle_type
order by cycles.model_year, vehicle_type
