-- grain: one pair of warm-ups and distance since the codes were cleared at one station, whatever the status bytes say
-- key: station_no, warmups_since_clear, distance_since_clear_km
-- reads: core.record_count
-- units: inspections, warm-ups, km
-- leaves out: counters at zero or at their end
-- why: as core.record_count, for a station that copies the counters alone

select
    station_no,
    warmups_since_clear,
    distance_since_clear_km,
    cast(sum(n_same) as bigint) as n_same
from core.record_count
where distance_since_clear_km > 0 and distance_since_clear_km < 65535
group by station_no, warmups_since_clear, distance_since_clear_km
