-- grain: one row that breaks the check
-- key: make, model, monitor, counter, share_ready
-- reads: mart.monitor_after_clear
-- units: none
-- leaves out: nothing
-- why: a larger share of vehicles is never ready at a smaller reading, by the records alone and by the curve
-- level: fail
-- judges: select count(*) from mart.monitor_after_clear where reading is not null or pooled is not null

with stepped as (
    select
        make,
        model,
        monitor,
        counter,
        share_ready,
        reading,
        lag(reading) over in_order as reading_before,
        pooled,
        lag(pooled) over in_order as pooled_before
    from mart.monitor_after_clear
    window in_order as (partition by make, model, monitor, counter order by share_ready)
)

select make, model, monitor, counter, share_ready, reading, reading_before, pooled, pooled_before
from stepped
where reading < reading_before or pooled < pooled_before
