-- grain: one row that breaks the check
-- key: n_visits
-- reads: core.inspection_record, core.visit, core.cycle, tally.inspection_count
-- units: none
-- leaves out: nothing
-- why: no inspection and no cycle is lost or counted twice on its way into the report's cells
-- level: fail
-- judges: select count(*) from core.inspection_record

with totals as (
    select
        (select count(*) from core.inspection_record) as n_inspections,
        (select count(*) from core.visit) as n_visits,
        (select coalesce(sum(n_visits), 0) from core.cycle) as n_visits_in_cycles,
        (select count(*) from core.cycle) as n_cycles,
        (select coalesce(sum(n_cycles), 0) from tally.inspection_count) as n_cycles_in_cells
)

select n_inspections, n_visits, n_visits_in_cycles, n_cycles, n_cycles_in_cells
from totals
where n_visits <> n_inspections or n_visits_in_cycles <> n_visits or n_cycles_in_cells <> n_cycles
