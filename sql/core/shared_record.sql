-- grain: one inspection record that a station sent: status bytes, warm-ups and distance since the codes were cleared
-- key: station_id, status, warmups_since_clear, distance_since_clear_km
-- reads: core.inspections
-- units: inspections, warm-ups, km
-- leaves out: inspections without status bytes, warm-ups and distance since the codes were cleared
-- why: the same four bytes, warm-ups and distance on several vehicles of one station are chance, or one vehicle read
--   out for another; both the look at stations and the distance to ready need to know. The two vehicles named are
--   enough to tell one vehicle from several; n_vehicles counts them.

select
    station_id,
    status_bytes as status,
    warmups_since_clear,
    distance_since_clear_km,
    count(*) as n_same,
    count(distinct vehicle_id) as n_vehicles,
    min(inspection_id) as first_inspection_id
from core.inspections
where
    status_bytes is not null
    and warmups_since_clear is not null
    and distance_since_clear_km is not null
group by all
