-- grain: one repair
-- key: job_id
-- reads: core.repair, core.traces, mart.trace_result
-- units: mm; dates in UTC
-- leaves out: jobs that are not repairs; traces that belong to no job
-- why: a repair is proved by the same test again. Before and after are the last judged traces of the job's two stages.
--   verified, from the after-trace:
--     no_trace    no trace was recorded after the repair;
--     proved      the system holds, with a confidence of 0.9 or more, and did not hold before as well; or a leak is
--                 left whose upper bound is below 0.5 mm and which is surely smaller than the leak before (its upper
--                 bound below the earlier lower bound): the repair took the leak away that the OBD monitor looks for
--                 (0.020 in = 0.508 mm), and what is left is too small for it;
--     disproved   a leak of surely 0.5 mm or more, or any other fault, is still there, whichever part it is in;
--     not_proved  nothing could be judged, or not surely enough; the size of the leak that is left does not decide; or
--                 the system held before the repair too, so that no recording shows that anything was mended.
--   evidence_agrees, from the before-trace:
--     yes         the component repaired is among the suspects;
--     no          there are suspects and it is not among them, or the system held and the component is one that only
--                 a leak condemns;
--     cannot_say  no judged trace, no suspects, a component that no trace can name (other), or a system that held and
--                 a part that can fail now and then (valve, sensor, wiring, control module).

with traced as (
    select
        result.job_id,
        result.stage,
        result.trace_id,
        result.verdict,
        result.confidence,
        result.suspects,
        result.leak_diameter_mm,
        result.leak_diameter_low_mm,
        result.leak_diameter_high_mm,
        row_number() over (
            partition by result.job_id, result.stage
            order by result.verdict = 'not_judged', traces.recorded_at desc, result.trace_id desc
        ) as rank_from_last
    from mart.trace_result as result
    join core.traces as traces using (trace_id)
    where result.stage in ('before_repair', 'after_repair') and result.job_id is not null
),

last_judged as (
    select * from traced where rank_from_last = 1 and verdict <> 'not_judged'
),

with_after_trace as (
    select distinct job_id from traced where stage = 'after_repair'
),

paired as (
    select
        repair.job_id,
        repair.shop_id,
        repair.technician_id,
        repair.vehicle_id,
        repair.make,
        repair.model,
        repair.component,
        repair.action,
        repair.opened_on,
        before.trace_id as before_trace_id,
        after.trace_id as after_trace_id,
        before.verdict as before_verdict,
        after.verdict as after_verdict,
        after.confidence as after_confidence,
        before.leak_diameter_mm as before_diameter_mm,
        before.leak_diameter_low_mm as before_diameter_low_mm,
        before.leak_diameter_high_mm as before_diameter_high_mm,
        after.leak_diameter_mm as after_diameter_mm,
        after.leak_diameter_low_mm as after_diameter_low_mm,
        after.leak_diameter_high_mm as after_diameter_high_mm,
        before.suspects,
        with_after_trace.job_id is not null as has_after_trace
    from core.repair as repair
    left join last_judged as before on before.job_id = repair.job_id and before.stage = 'before_repair'
    left join last_judged as after on after.job_id = repair.job_id and after.stage = 'after_repair'
    left join with_after_trace on with_after_trace.job_id = repair.job_id
)

select
    job_id,
    shop_id,
    technician_id,
    vehicle_id,
    make,
    model,
    component,
    action,
    opened_on,
    before_trace_id,
    after_trace_id,
    before_verdict,
    after_verdict,
    before_diameter_mm,
    before_diameter_low_mm,
    before_diameter_high_mm,
    after_diameter_mm,
    after_diameter_low_mm,
    after_diameter_high_mm,
    case
        when not has_after_trace then 'no_trace'
        when after_trace_id is null then 'not_proved'
        when after_verdict = 'holds' and before_verdict = 'holds' then 'not_proved'
        when after_verdict = 'holds' and after_confidence < 0.9 then 'not_proved'
        when after_verdict = 'holds' then 'proved'
        when after_verdict <> 'leak' or after_diameter_low_mm >= 0.5 then 'disproved'
        when after_diameter_high_mm < 0.5 and after_diameter_high_mm < before_diameter_low_mm then 'proved'
        else 'not_proved'
    end as verified,
    case
        when before_trace_id is null or component = 'other' then 'cannot_say'
        when
            before_verdict = 'holds'
            and component in ('fuel_cap', 'filler_neck', 'vapor_line', 'canister', 'tank_seal', 'fuel_tank')
            then 'no'
        when before_verdict = 'holds' or coalesce(len(suspects), 0) = 0 then 'cannot_say'
        when list_contains(suspects, component) then 'yes'
        else 'no'
    end as evidence_agrees,
    suspects
from paired
order by job_id
