-- grain: one test cycle of several visits, of one vehicle
-- key: vehicle_no, cycle_no
-- reads: core.visit
-- units: dates in UTC
-- leaves out: cycles of one visit
-- why: core.cycle, which tells what its columns mean, is read many times, and grouping visits is what costs

select
    vehicle_no,
    cycle_no,
    min(inspected_on) as started_on,
    max(inspected_on) as last_on,
    count(*) as n_visits,
    count(*) filter (verdict in ('pass', 'fail')) as n_verdicts,
    any_value(model_year) as model_year,
    any_value(vehicle_type) as vehicle_type,
    bool_or(is_waived) as is_waived,
    bool_or(verdict = 'pass') as is_passed,
    max(mil_on) filter (visit_no = 1) as is_first_mil_on,
    max(has_codes) filter (visit_no = 1) as is_first_with_codes,
    max(n_not_ready > 0) filter (visit_no = 1) as is_first_not_ready,
    arg_min(inspection_id, visit_no) filter (verdict in ('pass', 'fail')) as initial_inspection_id,
    arg_min(station_no, visit_no) filter (verdict in ('pass', 'fail')) as initial_station_no,
    arg_min_null(cap_test_result, visit_no) filter (verdict in ('pass', 'fail')) as initial_cap_result
from core.visit
where not is_alone
group by vehicle_no, cycle_no
