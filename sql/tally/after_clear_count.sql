-- grain: one monitor of one model at one reading of one counter since the codes were cleared
-- key: make, model, monitor, counter, reading
-- reads: core.after_clear, core.inspection_pattern, core.vehicles, tally.readiness_count
-- units: vehicles; reading in km or warm-ups, infinity where the counter is at its end
-- leaves out: vehicles without the monitor
-- why: the counts from which the distance to ready is estimated. Distances of 200 km and more are taken together in
--   steps of 1 %, so that a register of any size gives a few hundred readings. A record that only lists what is not
--   complete counts for the monitors that some record of its model shows, as in tally.readiness_count.

with looks as (
    select vehicle_no, pattern_no, 'distance_km' as counter, distance_km as reading
    from core.after_clear
    where distance_km is not null
    union all
    select vehicle_no, pattern_no, 'warmups' as counter, warmups as reading
    from core.after_clear
    where warmups is not null
),

counted as (
    select
        vehicles.make,
        vehicles.model,
        looks.pattern_no,
        looks.counter,
        case
            when looks.counter = 'warmups' or isinf(looks.reading) then looks.reading
            when looks.reading < 200 then floor(looks.reading)
            else round(exp(round(ln(looks.reading) * 100) / 100), 1)
        end as reading,
        count(*) as n
    from looks
    join core.vehicles as vehicles on vehicles.rowid = looks.vehicle_no
    group by all
),

patterns as (
    select
        counted.make,
        counted.model,
        told.monitors_supported,
        told.monitors_not_ready,
        counted.counter,
        counted.reading,
        sum(counted.n) as n
    from counted
    join core.inspection_pattern as told using (pattern_no)
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
join tally.readiness_count as shown on shown.make = patterns.make and shown.model = patterns.model
where patterns.monitors_supported is null or list_contains(patterns.monitors_supported, shown.monitor)
group by patterns.make, patterns.model, shown.monitor, patterns.counter, patterns.reading
order by patterns.make, patterns.model, shown.monitor, patterns.counter, patterns.reading
