-- grain: one reading of one station: status bytes, warm-ups and distance since the codes were cleared
-- key: station_id, status, warmups_since_clear, distance_since_clear_km
-- reads: core.inspections
-- units: inspections, warm-ups, km
-- leaves out: inspections without status bytes, warm-ups or distance since the codes were cleared
-- why: which readings a station sent more than once, and how common each is elsewhere, both rest on these counts

select
    station_id,
    status_bytes as status,
    warmups_since_clear,
    distance_since_clear_km,
    count(*) as n_same
from core.inspections
where status_bytes is not null and warmups_since_clear is not null and distance_since_clear_km is not null
group by station_id, status_bytes, warmups_since_clear, distance_since_clear_km
