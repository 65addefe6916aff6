-- grain: one repair closed inside the window
-- key: job_id
-- reads: core.repair, core.evap_job, core.vehicles, core.setting
-- units: days; dates in UTC
-- leaves out: repairs still open, and repairs closed before or after the window
-- why: the comeback is the first EVAP job on the same vehicle, at any shop, opened later than the repair was closed
--   (contract, "Comeback"). It counts up to and including day follow_up_days, and only if it was opened by the day
--   that the repair is censored: the window's end or the day the vehicle left service. A repair is followed when
--   that day leaves it the whole follow-up window, whether it came back or not.

with candidates as (
    select
        repair.job_id,
        repair.shop_id,
        repair.technician_id,
        repair.vehicle_id,
        repair.make,
        repair.model,
        repair.model_label,
        repair.component,
        repair.closed_at,
        repair.closed_on,
        greatest(least(vehicles.out_of_service_on, setting.to_on) - repair.closed_on, 0) as seen_days,
        setting.follow_up_days
    from core.repair as repair
    join core.vehicles as vehicles using (vehicle_id)
    cross join core.setting as setting
    where repair.closed_on between setting.from_on and setting.to_on
),

followed as (
    select
        candidates.*,
        evap_job.job_id as next_job_id,
        evap_job.opened_at as next_job_at,
        evap_job.opened_on - candidates.closed_on as next_job_days,
        least(candidates.seen_days, candidates.follow_up_days) as censor_days
    from candidates
    asof left join core.evap_job as evap_job
        on evap_job.vehicle_id = candidates.vehicle_id
        and evap_job.opened_at > candidates.closed_at
)

select
    job_id,
    shop_id,
    technician_id,
    vehicle_id,
    make,
    model,
    model_label,
    component,
    closed_on,
    case when next_job_days <= censor_days then next_job_id end as comeback_job_id,
    case when next_job_days <= censor_days then next_job_at end as comeback_opened_at,
    coalesce(next_job_days <= censor_days, false) as is_comeback,
    least(next_job_days, censor_days) as time_days,
    seen_days >= follow_up_days as is_followed
from followed
