-- grain: one vehicle in service on the last day that the records know
-- key: vehicle_id
-- reads: core.vehicles, core.inspection_record, core.inspection_pattern, core.visit, core.jobs, core.repair, core.exposure, core.evap_code, core.evap_code_of_job, core.setting, tally.readiness_count, mart.repair_check
-- units: km, km per day; dates in UTC
-- leaves out: vehicles out of service, and those not yet in service
-- why: what is known of a vehicle before its next inspection. A repair closed after the last inspection is taken as the
--   moment its codes were cleared (common practice of the trade: clear, then drive until the monitor has run). The
--   usual distance per day rests on odometer readings at least 30 days apart, else on the model's median. Open
--   faults: an EVAP job not closed, from a source that closes any (one that never does tells nothing of it); an EVAP
--   code with the lamp on at the last inspection, no job closed since; a last repair that its own recording disproves,
--   unless a later inspection saw the EVAP monitor complete and the lamp off. A record that only lists what is not
--   complete says of the EVAP monitor that it is, where some record of the model shows that one.

with today as (
    select greatest(to_on, inspection_to_on) as as_of from core.setting
),

in_service as (
    select vehicles.*, vehicles.rowid as vehicle_no, today.as_of
    from core.vehicles as vehicles
    cross join today
    where
        vehicles.in_service_on <= today.as_of
        and (vehicles.out_of_service_on is null or vehicles.out_of_service_on > today.as_of)
),

last_seen as (
    select
        visits.vehicle_no,
        visits.inspection_id,
        visits.inspected_at,
        visits.inspected_on,
        cast(visits.verdict as varchar) as verdict,
        visits.mil_on,
        visits.distance_since_clear_km,
        case
            when list_contains(patterns.monitors_not_ready, 'evap') then 'not_complete'
            when list_contains(patterns.monitors_supported, 'evap') then 'complete'
            when patterns.monitors_supported is null and visits.n_not_ready is not null and shown.model is not null
                then 'complete'
        end as evap_state
    from core.visit as visits
    join core.inspection_pattern as patterns using (pattern_no)
    join core.vehicles as vehicles on vehicles.rowid = visits.vehicle_no
    left join tally.readiness_count as shown
        on shown.make = vehicles.make and shown.model = vehicles.model and shown.monitor = 'evap'
    where visits.is_last
),

closed as (
    select vehicle_id, max(closed_at) as last_closed_at
    from core.jobs
    group by vehicle_id
),

repaired as (
    select vehicle_id, max(closed_on) as repaired_on, max(closed_at) as repaired_at, arg_max(job_id, closed_at) as job_id
    from core.repair
    where closed_at is not null
    group by vehicle_id
),

own_distance as (
    select
        vehicle_id,
        make,
        model,
        case
            when last_read_on - first_read_on >= 30 then distance_km / (last_read_on - first_read_on)
        end as km_per_day
    from core.exposure
),

model_distance as (
    select make, model, median(km_per_day) as km_per_day
    from own_distance
    group by make, model
),

closing_source as (
    select distinct source_id
    from core.jobs
    where closed_at is not null
),

open_job as (
    select
        jobs.vehicle_id,
        'job ' || min(jobs.job_id) || ' is open (' || arg_min(jobs.component, jobs.job_id) || ')' as fault
    from core.jobs as jobs
    semi join closing_source on closing_source.source_id is not distinct from jobs.source_id
    where
        jobs.closed_at is null
        and (
            jobs.component not in ('none_found', 'other')
            or jobs.job_id in (select job_id from core.evap_code_of_job)
        )
    group by jobs.vehicle_id
),

coded as (
    select listed.vehicle_no, string_agg(distinct evap_code.trouble_code, ', ' order by evap_code.trouble_code) as codes
    from (
        select last_seen.vehicle_no, unnest(records.trouble_codes) as trouble_code
        from last_seen
        join core.inspection_record as records using (inspection_id)
        where last_seen.mil_on and len(records.trouble_codes) > 0
    ) as listed
    join core.evap_code as evap_code on evap_code.trouble_code = upper(trim(listed.trouble_code))
    group by listed.vehicle_no
),

disproved as (
    select
        repaired.vehicle_id,
        repaired.repaired_at,
        'the recording after repair ' || repaired.job_id || ' (closed ' || repaired.repaired_on || ') disproves it' as fault
    from repaired
    join mart.repair_check as repair_check using (job_id)
    where repair_check.verified = 'disproved'
),

joined as (
    select
        in_service.vehicle_id,
        in_service.make,
        in_service.model,
        in_service.fleet_id,
        in_service.inspection_due_on as due_on,
        in_service.as_of,
        last_seen.inspection_id as last_inspection_id,
        last_seen.inspected_on as last_inspected_on,
        last_seen.verdict as last_verdict,
        last_seen.evap_state,
        last_seen.distance_since_clear_km as last_km_since_clear,
        case
            when repaired.repaired_at > last_seen.inspected_at or last_seen.inspected_at is null then repaired.repaired_on
        end as cleared_on,
        coalesce(own_distance.km_per_day, model_distance.km_per_day) as km_per_day,
        own_distance.km_per_day is not null as is_own_distance,
        coalesce(last_seen.mil_on, false)
        and coalesce(closed.last_closed_at <= last_seen.inspected_at, true) as is_lamp_on,
        open_job.fault as open_job_fault,
        coded.codes as lamp_codes,
        case
            when last_seen.inspected_at > disproved.repaired_at and last_seen.evap_state = 'complete' and not last_seen.mil_on
                then null
            else disproved.fault
        end as disproved_fault
    from in_service
    left join last_seen using (vehicle_no)
    left join closed using (vehicle_id)
    left join repaired using (vehicle_id)
    left join own_distance using (vehicle_id)
    left join model_distance
        on model_distance.make = in_service.make and model_distance.model = in_service.model
    left join open_job using (vehicle_id)
    left join coded using (vehicle_no)
    left join disproved using (vehicle_id)
)

select
    * exclude (open_job_fault, lamp_codes, disproved_fault),
    list_filter(
        [
            case when is_lamp_on then lamp_codes || ' with the lamp on at the last inspection' end,
            disproved_fault,
            open_job_fault
        ],
        lambda fault: fault is not null
    ) as open_faults
from joined
order by vehicle_id
