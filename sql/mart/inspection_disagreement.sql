-- grain: one inspection whose recorded result is not the one that the rule gives
-- key: inspection_id
-- reads: core.visit, core.inspections, core.setting
-- units: none
-- leaves out: inspections without a recorded result, and those that the rule cannot judge from what was recorded
-- why: the recorded result counts in every item of the report; where the rule in force (by default 40 CFR
--   85.2207 and 85.2222) gives another on the same record, that is a finding with its clause. A record may lack what
--   the station saw.

select
    visit.inspection_id,
    visit.station_id,
    visit.vehicle_id,
    visit.inspected_at,
    visit.verdict as recorded,
    visit.judged_result as judged,
    case
        when visit.judged_result is distinct from inspections.judged_base
            then setting.return_again_clause
        else inspections.judged_clause
    end as clause
from core.visit as visit
join core.inspections as inspections using (inspection_id)
cross join core.setting as setting
where visit.is_disputed
order by visit.inspection_id
