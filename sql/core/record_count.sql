-- grain: one reading of one station: status bytes, warm-ups and distance since the codes were cleared
-- key: station_no, status, warmups_since_clear, distance_since_clear_km
-- reads: core.visit, core.inspection_pattern
-- units: inspections, warm-ups, km
-- leaves out: inspections without status bytes, warm-ups or distance since the codes were cleared
-- why: which readings a station sent more than once, and how common each is elsewhere, both rest on these counts

select
    visits.station_no,
    patterns.status_bytes as status,
    visits.warmups_since_clear,
    visits.distance_since_clear_km,
    count(*) as n_same
from core.visit as visits
join core.inspection_pattern as patterns using (pattern_no)
where
    patterns.status_bytes is not null
    and visits.warmups_since_clear is not null
    and visits.distance_since_clear_km is not null
group by visits.station_no, patterns.status_bytes, visits.warmups_since_clear, visits.distance_since_clear_km
