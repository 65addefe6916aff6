-- grain: one monitor of one model at one reading of one counter since the codes were cleared
-- key: make, model, monitor, counter, reading
-- reads: core.after_clear, mart.readiness_count
-- units: vehicles; reading in km or warm-ups, infinity where the counter is at its end
-- leaves out: vehicles without the monitor
-- why: the counts from which the distance to ready is estimated. Distances of 200 km and more are taken together in
--   steps of 1 %, so that a register of any size gives a few hundred readings. A record that only lists what is not
--   complete counts for the monitors that some record of its model shows, as in mart.readiness_count.

with looks as (
    select make, model, monitors_supported, monitors_not_ready, 'distance_km' as counter, distance_km as reading
    from core.after_clear
    where distance_km is not null
    union all
    select make, model, monitors_supported, monitors_not_ready, 'warmups' as counter, warmups as reading
    from core.after_clear
    where warmups is not null
),

patterns as (
    select
        make,
        model,
        monitors_supported,
        monitors_not_ready,
        counter,
        case
            when counter = 'warmups' or isinf(reading) then reading
            when reading < 200 then floor(reading)
            else round(exp(round(ln(reading) * 100) / 100), 1)
        end as reading,
        count(*) as n
    from looks
    group by all
)

select
    patterns.make,
    patterns.model,
    shown.monitor,
    patterns.counter,
    patterns.reading,
    cast(sum(patterns.n) as bigint) as n,
    cast(
        coalesce(
            sum(patterns.n) filter (not list_contains(patterns.monitors_not_ready, shown.monitor)), 0
        ) as bigint
    ) as n_ready
from patterns
join mart.readiness_count as shown on shown.make = patterns.make and shown.model = patterns.model
where patterns.monitors_supported is null or list_contains(patterns.monitors_supported, shown.monitor)
group by patterns.make, patterns.model, shown.monitor, patterns.counter, patterns.reading
order by patterns.make, patterns.model, shown.monitor, patterns.counter, patterns.reading
