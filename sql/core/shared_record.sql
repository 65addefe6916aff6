-- grain: one reading that a station sent more than once
-- key: measure, station_no, status, warmups_since_clear, distance_since_clear_km
-- reads: core.visit, core.inspection_pattern, core.record_count, core.distance_count
-- units: inspections, warm-ups, km
-- leaves out: inspections without status bytes, warm-ups and distance since the codes were cleared; readings sent once;
--   for repeated_distance also counters at zero or at their end
-- why: the same four bytes, warm-ups and distance (repeated_record), or warm-ups and distance whatever the bytes say
--   (repeated_distance, status is ''), on several vehicles of one station are chance, or one vehicle read out for
--   another; both the look at stations and the distance to ready need to know. Readings are counted first and
--   vehicles only where a reading came twice, for most come once.

with records_of_vehicles as (
    select
        readings.station_no,
        patterns.status_bytes as status,
        readings.warmups_since_clear,
        readings.distance_since_clear_km,
        count(*) as n_same,
        min(readings.inspection_id) as first_inspection_id
    from core.visit as readings
    join core.inspection_pattern as patterns using (pattern_no)
    semi join core.record_count as records
        on records.station_no = readings.station_no
        and records.status = patterns.status_bytes
        and records.warmups_since_clear = readings.warmups_since_clear
        and records.distance_since_clear_km = readings.distance_since_clear_km
        and records.n_same > 1
    group by
        readings.station_no,
        patterns.status_bytes,
        readings.warmups_since_clear,
        readings.distance_since_clear_km,
        readings.vehicle_no
),

distances_of_vehicles as (
    select
        readings.station_no,
        readings.warmups_since_clear,
        readings.distance_since_clear_km,
        count(*) as n_same,
        min(readings.inspection_id) as first_inspection_id
    from core.visit as readings
    join core.inspection_pattern as patterns using (pattern_no)
    semi join core.distance_count as distances
        on distances.station_no = readings.station_no
        and distances.warmups_since_clear = readings.warmups_since_clear
        and distances.distance_since_clear_km = readings.distance_since_clear_km
        and distances.n_same > 1
    where patterns.status_bytes is not null
    group by
        readings.station_no,
        readings.warmups_since_clear,
        readings.distance_since_clear_km,
        readings.vehicle_no
)

select
    'repeated_record' as measure,
    station_no,
    status,
    warmups_since_clear,
    distance_since_clear_km,
    cast(sum(n_same) as bigint) as n_same,
    count(*) as n_vehicles,
    min(first_inspection_id) as first_inspection_id
from records_of_vehicles
group by station_no, status, warmups_since_clear, distance_since_clear_km
union all
select
    'repeated_distance' as measure,
    station_no,
    '' as status,
    warmups_since_clear,
    distance_since_clear_km,
    cast(sum(n_same) as bigint) as n_same,
    count(*) as n_vehicles,
    min(first_inspection_id) as first_inspection_id
from distances_of_vehicles
group by station_no, warmups_since_clear, distance_since_clear_km
