//! Virtual amps and a virtual recorder, for the demo and for tests.
//!
//! What is simulated is a device under test: the analysis is given its recording and knows nothing of
//! what went in. Nothing outside this module and `demo` depends on it.
//!
//! ```text
//! plan ─► player's clock ─► device (valve amp, or one with a closed form) ─► decimate ─► recorder ─► samples
//! ```

pub mod amp;
pub mod bench;
pub mod decimate;
pub mod device;
pub mod faults;
pub mod heron;
pub mod noise;
pub mod output;
pub mod preamp;
pub mod recorder;
pub mod supply;
pub mod table;
pub mod transformer;
pub mod valves;

pub use amp::{Amp, Circuit};
pub use device::{Band, Chain, Device, Gain, HardClip, Polynomial, Ripple, Tanh};
pub use faults::{Fault, Recording};
pub use noise::Hum;
pub use preamp::Controls;
pub use recorder::{Recorder, record, take};
