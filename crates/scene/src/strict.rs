//! Which faults `--strict` does not let pass.

use understudy_measure::{Fault, FaultKind};

/// Faults that a finished clip must not have; the others are for an animator to judge.
const KINDS: [FaultKind; 5] = [
    FaultKind::NoContacts,
    FaultKind::FootSlide,
    FaultKind::Sinking,
    FaultKind::KneePop,
    FaultKind::TimingShift,
];

/// The faults that count with `--strict`, in their order.
pub fn strict_faults(faults: &[Fault]) -> Vec<&Fault> {
    faults
        .iter()
        .filter(|fault| KINDS.contains(&fault.kind))
        .collect()
}
