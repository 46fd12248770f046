//! What the bench says about names in a record.

use crate::bench::{Bench, Role, StepAction};

/// Names of the channels in the roles that matter here, and what parking sets.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Names {
    tip_x: Option<String>,
    tip_y: Option<String>,
    approached: Option<String>,
    field: Option<String>,
    setpoint: Option<String>,
    bias: Option<String>,
    parked: Vec<(String, f64)>,
    withdraws: bool,
}

impl Names {
    pub(super) fn of(bench: &Bench) -> Self {
        let name = |role| bench.by_role(role).map(|id| bench.channel(id).name.clone());
        let parked = bench.park.iter().filter_map(|step| match step.action {
            StepAction::Set { channel, value } => Some((bench.channel(channel).name.clone(), value)),
            StepAction::Withdraw | StepAction::Keep { .. } => None,
        });
        Self {
            tip_x: name(Role::TipX),
            tip_y: name(Role::TipY),
            approached: name(Role::Approached),
            field: name(Role::FieldZ),
            setpoint: name(Role::Setpoint),
            bias: name(Role::Bias),
            parked: parked.collect(),
            withdraws: bench.park.iter().any(|step| matches!(step.action, StepAction::Withdraw)),
        }
    }

    /// Whether a channel moves the tip along the surface.
    pub(super) fn moves_tip(&self, channel: &str) -> bool {
        [&self.tip_x, &self.tip_y].into_iter().any(|name| name.as_deref() == Some(channel))
    }

    /// Whether a channel shows that the tip is in tunnelling range.
    pub(super) fn shows_tip(&self, channel: &str) -> bool {
        self.approached.as_deref() == Some(channel)
    }

    /// The channels for the place of the tip.
    pub(super) fn place_of_tip(&self) -> [Option<&String>; 2] {
        [self.tip_x.as_ref(), self.tip_y.as_ref()]
    }

    /// The channel of the field along z.
    pub(super) fn field(&self) -> Option<&str> {
        self.field.as_deref()
    }

    /// The channel of the current that the height loop holds.
    pub(super) fn setpoint(&self) -> Option<&str> {
        self.setpoint.as_deref()
    }

    /// The channel of the bias.
    pub(super) fn bias(&self) -> Option<&str> {
        self.bias.as_deref()
    }

    /// What parking sets, SI.
    pub(super) fn parked(&self) -> &[(String, f64)] {
        &self.parked
    }

    /// Whether parking withdraws the tip.
    pub(super) fn park_withdraws(&self) -> bool {
        self.withdraws
    }
}
