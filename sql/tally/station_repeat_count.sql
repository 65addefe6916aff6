-- grain: one measure of one inspection station
-- key: station_id, measure
-- reads: core.record_count, core.distance_count, core.shared_record, core.station
-- units: inspections
-- leaves out: inspections without status bytes, warm-ups and distance since the codes were cleared; for
--   repeated_distance also counters at zero or at their end
-- why: an inspection repeats a record when its four status bytes, warm-ups and distance since the codes were cleared
--   are all those of a different vehicle at the same station; it repeats a distance when the distance and the warm-ups
--   are, whatever the bytes say. Chance does that too, and more often the more a station tests and the more common a
--   record is. expected is therefore, summed over the station's inspections, the chance that one of its other records
--   is the same if they were drawn from the records of all other stations; null where there is no other station.
--   It is summed in an order of its own, so that the last digit does not depend on which thread came first, and what
--   is alike once, since to sort a program's records costs more than to count them.
--   inspection_ids names one record of each repetition, at most 20.

with volume as (
    select 'repeated_record' as measure, station_no, cast(sum(n_same) as bigint) as n_station
    from core.record_count
    group by station_no
    union all
    select 'repeated_distance' as measure, station_no, cast(sum(n_same) as bigint) as n_station
    from core.distance_count
    group by station_no
),

volumes as (
    select measure, station_no, n_station, sum(n_station) over (partition by measure) as n_all
    from volume
),

records_elsewhere as (
    select status, warmups_since_clear, distance_since_clear_km, sum(n_same) as n_everywhere
    from core.record_count
    group by status, warmups_since_clear, distance_since_clear_km
    having count(*) > 1
),

distances_elsewhere as (
    select warmups_since_clear, distance_since_clear_km, sum(n_same) as n_everywhere
    from core.distance_count
    group by warmups_since_clear, distance_since_clear_km
    having count(*) > 1
),

elsewhere as (
    select 'repeated_record' as measure, by_record.station_no, by_record.n_same, other.n_everywhere
    from core.record_count as by_record
    join records_elsewhere as other using (status, warmups_since_clear, distance_since_clear_km)
    union all
    select 'repeated_distance' as measure, by_distance.station_no, by_distance.n_same, other.n_everywhere
    from core.distance_count as by_distance
    join distances_elsewhere as other using (warmups_since_clear, distance_since_clear_km)
),

alike as (
    select measure, station_no, n_same, n_everywhere, count(*) as n_alike
    from elsewhere
    group by measure, station_no, n_same, n_everywhere
),

chance as (
    select
        alike.measure,
        alike.station_no,
        sum(
            n_alike * n_same * (1 - pow(1 - (n_everywhere - n_same) / (n_all - n_station), n_station - 1))
            order by n_same, n_everywhere
        ) as expected
    from alike
    join volumes on volumes.measure = alike.measure and volumes.station_no = alike.station_no
    group by alike.measure, alike.station_no
),

repeated as (
    select
        measure,
        station_no,
        cast(sum(n_same) as bigint) as n,
        min(first_inspection_id, 20) as inspection_ids
    from core.shared_record
    where n_vehicles > 1
    group by measure, station_no
)

select
    stations.station_id,
    volumes.measure,
    coalesce(repeated.n, 0) as n,
    volumes.n_station as "of",
    case when volumes.n_all > volumes.n_station then coalesce(chance.expected, 0) end as expected,
    repeated.inspection_ids
from volumes
join core.station as stations using (station_no)
left join chance on chance.measure = volumes.measure and chance.station_no = volumes.station_no
left join repeated on repeated.measure = volumes.measure and repeated.station_no = volumes.station_no
order by stations.station_id, volumes.measure
