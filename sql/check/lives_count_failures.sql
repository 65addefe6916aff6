-- grain: one component of one model whose failures do not add up
-- key: make, model, component
-- reads: mart.component_life, mart.failure_rate
-- units: none
-- leaves out: the rows of all models together
-- why: every failure of the failure rates has an age or is counted as left out, and a return is a failure
-- level: fail
-- judges: select count(*) from mart.component_life

select
    failure_rate.make,
    failure_rate.model,
    failure_rate.component,
    failure_rate.n_failures,
    component_life.n_failures as n_with_age,
    component_life.n_left_out,
    component_life.n_returns
from mart.failure_rate as failure_rate
left join mart.component_life as component_life using (make, model, component)
where coalesce(component_life.n_failures + component_life.n_left_out, -1) <> failure_rate.n_failures
    or component_life.n_returns > component_life.n_failures
    or component_life.n_left_out < 0
