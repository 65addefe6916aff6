-- grain: one reading that a station sent more than once
-- key: measure, station_id, status, warmups_since_clear, distance_since_clear_km
-- reads: core.inspections
-- units: inspections, warm-ups, km
-- leaves out: inspections without status bytes, warm-ups and distance since the codes were cleared; readings sent once;
--   for repeated_distance also counters at zero or at their end
-- why: the same four bytes, warm-ups and distance (repeated_record), or warm-ups and distance whatever the bytes say
--   (repeated_distance, status is ''), on several vehicles of one station are chance, or one vehicle read out for
--   another; both the look at stations and the distance to ready need to know. Readings are counted first and
--   vehicles only where a reading came twice, for most come once.

with readings as (
    select
        inspection_id,
        vehicle_id,
        station_id,
        status_bytes as status,
        warmups_since_clear,
        distance_since_clear_km
    from core.inspections
    where status_bytes is not null and warmups_since_clear is not null and distance_since_clear_km is not null
),

records as (
    select station_id, status, warmups_since_clear, distance_since_clear_km
    from readings
    group by station_id, status, warmups_since_clear, distance_since_clear_km
    having count(*) > 1
),

distances as (
    select station_id, warmups_since_clear, distance_since_clear_km
    from readings
    where distance_since_clear_km > 0 and distance_since_clear_km < 65535
    group by station_id, warmups_since_clear, distance_since_clear_km
    having count(*) > 1
)

select
    'repeated_record' as measure,
    station_id,
    status,
    warmups_since_clear,
    distance_since_clear_km,
    count(*) as n_same,
    count(distinct vehicle_id) as n_vehicles,
    min(inspection_id) as first_inspection_id
from readings
join records using (station_id, status, warmups_since_clear, distance_since_clear_km)
group by station_id, status, warmups_since_clear, distance_since_clear_km
union all
select
    'repeated_distance' as measure,
    station_id,
    '' as status,
    warmups_since_clear,
    distance_since_clear_km,
    count(*) as n_same,
    count(distinct vehicle_id) as n_vehicles,
    min(inspection_id) as first_inspection_id
from readings
join distances using (station_id, warmups_since_clear, distance_since_clear_km)
group by station_id, warmups_since_clear, distance_since_clear_km
