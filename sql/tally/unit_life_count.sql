-- grain: all stretches of life of one component of one model with the same dates and the same end, first units and replacements apart
-- key: make, model, component, born_on, start_on, end_on, is_failure, is_return, is_first_unit
-- reads: core.unit_life
-- units: days, over all units; dates in UTC
-- leaves out: nothing
-- why: vehicles that went into service on one day and never failed live alike: counted together they cost one row
--   whatever the size of the fleet.

select
    make,
    model,
    component,
    born_on,
    start_on,
    end_on,
    is_failure,
    is_return,
    is_first_unit,
    count(*) as n_units,
    cast(sum(unseen_days) as bigint) as unseen_days
from core.unit_life
group by make, model, component, born_on, start_on, end_on, is_failure, is_return, is_first_unit
order by make, model, component, born_on, start_on, end_on, is_failure, is_return, is_first_unit
