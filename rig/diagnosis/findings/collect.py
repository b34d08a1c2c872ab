# SPDX-License-Identifier: MIT
"""All findings of one run, and of several runs and checks together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rig.diagnosis.findings.from_coil import coil_findings
from rig.diagnosis.findings.from_gauge import Place, gauge_findings
from rig.diagnosis.findings.from_rig import rig_findings
from rig.diagnosis.findings.from_switch import switch_findings
from rig.diagnosis.findings.model import Finding, RunSeen

SURE = 0.7
"""Two findings contradict each other where each has at least this probability for another state."""


def findings_of(
    run: RunSeen, good: RunSeen | None = None, gauge_at: Place | None = None
) -> tuple[Finding, ...]:
    """Every finding that a run can yield, including those that it cannot observe.

    A pure function. `good` is a run of a known-good valve, or of this one when it was sound, on
    the same rig; `gauge_at` is the gauge position stated by a person.
    """
    found = [
        *switch_findings(run, good),
        *gauge_findings(run, good, gauge_at),
        *coil_findings(run, good),
        *rig_findings(run, good),
    ]
    return tuple(replace(finding, by=run.name) for finding in found)


@dataclass(frozen=True)
class Evidence:
    """Combined evidence: every observation by finding, why the others are hidden, and
    contradictions, in words."""

    observed: dict[str, tuple[Finding, ...]]
    hidden: dict[str, str]
    contradictions: tuple[str, ...]


def together(findings: Iterable[Finding]) -> Evidence:
    """Findings of several runs and checks by name. A finding that any of them observed is
    observed."""
    observed: dict[str, list[Finding]] = {}
    hidden: dict[str, str] = {}
    for finding in findings:
        if finding.observed:
            observed.setdefault(finding.name, []).append(finding)
        else:
            hidden.setdefault(finding.name, finding.found)
    hidden = {name: why for name, why in hidden.items() if name not in observed}
    kept = {name: tuple(several) for name, several in observed.items()}
    return Evidence(kept, hidden, tuple(_contradictions(kept.values())))


def _contradictions(several: Iterable[Sequence[Finding]]) -> Iterable[str]:
    for findings in several:
        sure = [finding for finding in findings if finding.sure >= SURE]
        for finding in sure[1:]:
            if finding.state != sure[0].state:
                yield (
                    f"{sure[0].by}: {sure[0].found}; but {finding.by}: {finding.found}. "
                    "Find out what changed between them"
                )
