-- grain: one measure of one inspection station
-- key: station_id, measure
-- reads: core.cycle, core.visit, core.inspections
-- units: inspections
-- leaves out: inspections in which the measure is not known
-- why: a station is compared with what is expected of it, which is not its fault.
--   initial_failure and not_ready: expected from the failing (not ready) share of each model year over all stations.
--   repeated_record: an inspection whose four status bytes, warm-ups and distance since the codes were cleared are all
--   those of a different vehicle at the same station. Chance does that too, and more often the more a station tests
--   and the more common a record is (saturated or freshly cleared counters), so what is expected is the chance that
--   one of the station's other records, drawn from the records of all other stations, is the same.
--   expected is null where there is no other station.

with graded as (
    select initial_station_id as station_id, 'initial_failure' as measure, model_year, initial_verdict = 'fail' as is_hit
    from core.cycle
    where initial_verdict is not null
    union all
    select station_id, 'not_ready' as measure, model_year, is_not_ready as is_hit
    from core.visit
    where is_not_ready is not null
),

by_year as (
    select station_id, measure, model_year, count(*) filter (is_hit) as n, count(*) as n_known
    from graded
    group by station_id, measure, model_year
),

against_year as (
    select
        station_id,
        measure,
        n,
        n_known,
        n_known * sum(n) over (partition by measure, model_year)
        / sum(n_known) over (partition by measure, model_year) as expected
    from by_year
),

graded_count as (
    select
        station_id,
        measure,
        cast(sum(n) as bigint) as n,
        cast(sum(n_known) as bigint) as "of",
        sum(expected) as expected
    from against_year
    group by station_id, measure
),

fingerprints as (
    select
        station_id,
        vehicle_id,
        right(regexp_replace(upper(monitor_status_hex), '[^0-9A-F]', '', 'g'), 8) as status,
        warmups_since_clear,
        distance_since_clear_km
    from core.inspections
    where
        monitor_status_hex is not null
        and warmups_since_clear is not null
        and distance_since_clear_km is not null
),

per_station as (
    select
        station_id,
        status,
        warmups_since_clear,
        distance_since_clear_km,
        count(*) as n_same,
        min(vehicle_id) <> max(vehicle_id) as is_shared
    from fingerprints
    group by station_id, status, warmups_since_clear, distance_since_clear_km
),

placed as (
    select
        station_id,
        n_same,
        is_shared,
        sum(n_same) over (partition by station_id) as n_station,
        sum(n_same) over (partition by status, warmups_since_clear, distance_since_clear_km) - n_same as n_elsewhere,
        sum(n_same) over () as n_all
    from per_station
),

repeated_count as (
    select
        station_id,
        'repeated_record' as measure,
        cast(coalesce(sum(n_same) filter (is_shared), 0) as bigint) as n,
        cast(sum(n_same) as bigint) as "of",
        sum(
            case
                when n_all > n_station
                    then n_same * (1 - pow(1 - n_elsewhere / (n_all - n_station), n_station - 1))
            end
        ) as expected
    from placed
    group by station_id
)

select station_id, measure, n, "of", expected from graded_count
union all
select station_id, measure, n, "of", expected from repeated_count
order by station_id, measure
