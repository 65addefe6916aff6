-- grain: one measure of one inspection station
-- key: station_id, measure
-- reads: core.shared_record
-- units: inspections
-- leaves out: inspections without status bytes, warm-ups and distance since the codes were cleared; for
--   repeated_distance also counters at zero or at their end
-- why: an inspection repeats a record when its four status bytes, warm-ups and distance since the codes were cleared
--   are all those of a different vehicle at the same station; it repeats a distance when the distance and the warm-ups
--   are, whatever the bytes say. Chance does that too, and more often the more a station tests and the more common a
--   record is. expected is therefore, summed over the station's inspections, the chance that one of its other records
--   is the same if they were drawn from the records of all other stations; null where there is no other station.
--   inspection_ids names one record of each repetition, at most 20.

with readings as (
    select
        'repeated_record' as measure,
        station_id,
        (status, warmups_since_clear, distance_since_clear_km) as reading,
        n_same,
        n_vehicles > 1 as is_shared,
        first_inspection_id
    from core.shared_record
    union all
    select
        'repeated_distance' as measure,
        station_id,
        ('', warmups_since_clear, distance_since_clear_km) as reading,
        sum(n_same) as n_same,
        count(*) > 1 or max(n_vehicles) > 1 as is_shared,
        min(first_inspection_id) as first_inspection_id
    from core.shared_record
    where distance_since_clear_km > 0 and distance_since_clear_km < 65535
    group by station_id, warmups_since_clear, distance_since_clear_km
),

placed as (
    select
        measure,
        station_id,
        n_same,
        is_shared,
        first_inspection_id,
        sum(n_same) over (partition by measure, station_id) as n_station,
        sum(n_same) over (partition by measure, reading) - n_same as n_elsewhere,
        sum(n_same) over (partition by measure) as n_all
    from readings
)

select
    station_id,
    measure,
    cast(coalesce(sum(n_same) filter (is_shared), 0) as bigint) as n,
    cast(sum(n_same) as bigint) as "of",
    sum(
        case
            when n_all > n_station
                then n_same * (1 - pow(1 - n_elsewhere / (n_all - n_station), n_station - 1))
        end
    ) as expected,
    min(first_inspection_id, 20) filter (is_shared) as inspection_ids
from placed
group by station_id, measure
order by station_id, measure
