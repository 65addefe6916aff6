-- grain: one make and model of the register
-- key: make, model
-- reads: core.vehicles
-- units: none
-- leaves out: nothing
-- why: a group named after a model must name one model. Where two makes share the name, the make stands before it.

with named as (
    select distinct make, model from core.vehicles
)

select
    make,
    model,
    case when count(*) over (partition by model) = 1 then model else make || ' ' || model end as label
from named
