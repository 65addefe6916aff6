-- grain: one EVAP trouble code of one job
-- key: job_id, trouble_code
-- reads: core.jobs, core.evap_code
-- units: none
-- leaves out: other codes
-- why: comebacks, open jobs, leak sizes and places to look at all ask for a job's EVAP codes; each counts once, however
--   often and in whatever case the job lists it

select distinct listed.job_id, evap_code.trouble_code
from (select job_id, unnest(trouble_codes) as trouble_code from core.jobs) as listed
join core.evap_code as evap_code on evap_code.trouble_code = upper(trim(listed.trouble_code))
