-- grain: one inspection station that has an inspection
-- key: station_no
-- reads: core.inspection_record
-- units: none
-- leaves out: nothing
-- why: visits are sorted and counted by station, and a short number passes through memory with less effort than a name

select
    station_id,
    cast(row_number() over (order by station_id) as integer) as station_no
from core.inspection_record
group by station_id
