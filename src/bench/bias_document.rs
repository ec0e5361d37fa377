//! `twinload/bias/1`: what `bias --json` writes.

use serde::{Deserialize, Serialize};

use super::bias::Bias;
use super::model::Limits;
use super::valves::Valve;
use crate::figure::{Quantity, Unit};
use crate::finding::Finding;

/// Name and version of the document's form.
pub const SCHEMA: &str = "twinload/bias/1";

/// The bias of one valve type, before power-on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BiasDocument {
    /// [`SCHEMA`].
    pub schema: String,
    /// The type.
    pub valve: String,
    /// Rating system of its limits.
    pub rating_system: Option<String>,
    /// What of the limits was confirmed.
    pub limits_status: String,
    /// Volts at the cathode; its note says whether they are an estimate.
    pub cathode_voltage: Quantity,
    /// Of each valve.
    pub cathode_current: Quantity,
    /// Of each valve; its note says how it is known.
    pub screen_current: Quantity,
    /// Of each valve.
    pub plate_current: Quantity,
    /// Plate to cathode.
    pub plate_to_cathode: Quantity,
    /// Of each valve.
    pub plate_dissipation: Quantity,
    /// In per cent of its limit.
    pub plate_dissipation_of_limit: Quantity,
    /// Of each valve.
    pub screen_dissipation: Quantity,
    /// The cathode resistor, exactly.
    pub cathode_resistor: Quantity,
    /// The one to buy.
    pub cathode_resistor_e24: Quantity,
    /// What the one to buy gives; none where it is the exact one.
    pub with_e24: Option<WithBought>,
    /// Heat in it.
    pub cathode_resistor_heat: Quantity,
    /// Rating to buy.
    pub cathode_resistor_rating: Quantity,
    /// What is over the valve's limits.
    pub findings: Vec<Finding>,
    /// Slips that explain the dissipation somebody claimed.
    pub slips: Vec<String>,
}

/// A valve with the cathode resistor that is bought.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WithBought {
    /// Of each valve.
    pub cathode_current: Quantity,
    /// Of each valve.
    pub plate_dissipation: Quantity,
    /// In per cent of its limit.
    pub plate_dissipation_of_limit: Quantity,
}

impl BiasDocument {
    /// The document of this answer; `limits` are those that hold.
    #[must_use]
    pub fn new(
        valve: &Valve,
        limits: &Limits,
        bias: &Bias,
        findings: Vec<Finding>,
        slips: Vec<String>,
    ) -> Self {
        let q = Quantity::new;
        let point = &bias.point;
        let of_limit = |plate_watts: f64| match limits.plate_watts {
            Some(limit) => q(plate_watts / limit * 100.0, Unit::Percent),
            None => Quantity::missing(Unit::Percent, "no limit known"),
        };
        let cathode_voltage = q(bias.cathode_volts, Unit::Volts).noted(if bias.estimated {
            "estimate from a published model of a typical valve; a real one may differ by 20 % or more"
        } else {
            "as given"
        });
        Self {
            schema: SCHEMA.to_owned(),
            valve: valve.name.clone(),
            rating_system: limits.rating_system.clone(),
            limits_status: format!("{} ({})", valve.status, valve.source),
            cathode_voltage,
            cathode_current: q(point.cathode_milliamperes, Unit::Milliamperes),
            screen_current: q(point.screen_milliamperes, Unit::Milliamperes)
                .noted(format!("{} % of the cathode's, {}", bias.screen_share.0, bias.screen_share.1)),
            plate_current: q(point.plate_milliamperes, Unit::Milliamperes),
            plate_to_cathode: q(point.plate_volts, Unit::Volts),
            plate_dissipation: q(point.plate_watts, Unit::Watts),
            plate_dissipation_of_limit: of_limit(point.plate_watts),
            screen_dissipation: match point.screen_watts {
                Some(watts) => q(watts, Unit::Watts),
                None => Quantity::missing(Unit::Watts, "a triode has no screen"),
            },
            cathode_resistor: q(bias.exact_ohms, Unit::Ohms),
            cathode_resistor_e24: q(bias.bought_ohms, Unit::Ohms),
            with_e24: bias.bought.map(|bought| WithBought {
                cathode_current: q(bought.cathode_milliamperes, Unit::Milliamperes),
                plate_dissipation: q(bought.plate_watts, Unit::Watts),
                plate_dissipation_of_limit: of_limit(bought.plate_watts),
            }),
            cathode_resistor_heat: q(point.resistor_watts, Unit::Watts),
            cathode_resistor_rating: match bias.rating_watts {
                Some(watts) => q(watts, Unit::Watts),
                None => Quantity::missing(Unit::Watts, "no usual resistor bears so much"),
            },
            findings,
            slips,
        }
    }
}
