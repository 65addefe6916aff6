-- grain: one inspection station
-- key: station_id
-- reads: core.shared_record
-- units: inspections
-- leaves out: inspections without status bytes, warm-ups and distance since the codes were cleared
-- why: an inspection repeats a record when its four status bytes, warm-ups and distance since the codes were cleared
--   are all those of a different vehicle at the same station. Chance does that too, and more often the more a
--   station tests and the more common a record is (saturated or freshly cleared counters). expected is therefore,
--   summed over the station's inspections, the chance that one of its other records is the same if they were drawn
--   from the records of all other stations; null where there is no other station.

with per_station as (
    select
        station_id,
        status,
        warmups_since_clear,
        distance_since_clear_km,
        n_same,
        n_vehicles > 1 as is_shared
    from core.shared_record
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
)

select
    station_id,
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
order by station_id
