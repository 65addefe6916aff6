"""Two made-up jobs with recordings, as the pages of jobs take them."""

from __future__ import annotations

from datetime import datetime

from pipeline.contract.tables import TRACE_RESULT
from pipeline.contract.vocabulary import PHASES
from pipeline.traces.explain import HoldCurve, TraceExplanation
from pipeline.traces.other_stories import StoryCurve
from reports.pages.job import JobStories, JobStory


def explained(trace_id: str, stage: str, verdict: str, evidence: str) -> TraceExplanation:
    """A recording of 60 s in five equal phases, with a fit and two other stories."""
    result = dict.fromkeys(TRACE_RESULT.column_names) | {
        "trace_id": trace_id,
        "stage": stage,
        "verdict": verdict,
        "evidence": evidence,
        "confidence": 0.93,
        "leak_diameter_mm": 0.67,
        "leak_diameter_low_mm": 0.63,
        "leak_diameter_high_mm": 0.71,
        "leak_censoring": "none" if verdict == "leak" else "left",
        "n_samples": 60,
        "pressure_test": "fail" if verdict == "leak" else None,
    }
    t = [float(i) for i in range(60)]
    return TraceExplanation(
        result=result,
        phases=[(name, 12.0 * k, 12.0 * (k + 1)) for k, name in enumerate(PHASES)],
        t_s=t,
        tank_pressure_pa=[-10.0 * i for i in range(60)],
        sensor_v=[1.5 + i / 100 for i in range(60)],
        purge_duty_pct=[60.0 if 24 <= i < 36 else 0.0 for i in range(60)],
        is_vent_closed=[12 <= i < 48 for i in range(60)],
        hold=HoldCurve([36.0, 47.0], [-360.0, -250.0], [-370.0, -262.0], [-350.0, -238.0]),
        sentences=["60 usable samples.", evidence, "Find the place."],
        grounds=["60 usable samples."],
        stories=(
            StoryCurve("holds", "sealed, vapor alone", 0.05, [36.0, 47.0], [-360.0, -340.0]),
            StoryCurve("leak", "hole of 1.0 mm", None, [36.0, 47.0], [-360.0, -110.0]),
        ),
    )


def job_stories(said: str = "Vacuum fell.") -> JobStories:
    """Two of nine jobs with a recording; `said` stands wherever a record may hold free text."""
    facts = {
        "job_id": f"../J1 {said}",
        "vehicle_id": f"v1 {said}",
        "make": said,
        "model": "Orrin",
        "model_year": 2019,
        "shop_id": f"shop {said}",
        "opened_at": datetime(2025, 5, 2, 8, 30),
        "closed_at": None,
        "component": "fuel_cap",
        "action": "replaced",
        "trouble_codes": ["P0442"],
        "checks": ["cap_seal=fail"],
        "odometer_km": 98_765.0,
        "fuel_tank_l": 60.0,
        "n_traces": 5,
    }
    check = {
        "verified": "proved",
        "evidence_agrees": "yes",
        "before_verdict": "leak",
        "after_verdict": "holds",
    }
    traces = (
        explained(f"t1 {said}", "before_repair", "leak", said),
        explained("t2", "after_repair", "holds", said),
    )
    other = facts | {"job_id": "J2", "n_traces": 1}
    return JobStories((JobStory(facts, check, traces), JobStory(other, None, traces[:1])), 9)
