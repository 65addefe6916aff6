-- grain: one inspection whose recorded result is not the one that the rule gives
-- key: inspection_id
-- reads: core.visit, core.inspection_pattern, core.station, core.vehicles, core.setting
-- units: none
-- leaves out: inspections without a recorded result, and those that the rule cannot judge from what was recorded
-- why: the recorded result counts in every item of the report; where the rule in force (by default 40 CFR
--   85.2207 and 85.2222) gives another on the same record, that is a finding with its clause. A record may lack what
--   the station saw.

select
    visits.inspection_id,
    stations.station_id,
    vehicles.vehicle_id,
    visits.inspected_at,
    cast(visits.verdict as varchar) as recorded,
    cast(visits.judged_result as varchar) as judged,
    case
        when cast(visits.judged_result as varchar) is distinct from patterns.judged_base
            then setting.return_again_clause
        else patterns.judged_clause
    end as clause
from core.visit as visits
join core.inspection_pattern as patterns using (pattern_no)
join core.station as stations using (station_no)
join core.vehicles as vehicles on vehicles.rowid = visits.vehicle_no
cross join core.setting as setting
where visits.is_disputed
order by visits.inspection_id
