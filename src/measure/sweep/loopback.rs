//! The interface's own response taken out, its own distortion kept as a floor.

use realfft::num_complex::Complex;

use super::{Order, Response, Value};

/// Divided only where the loop's response is within this of its value at the reference (methods §5.6).
const WITHIN_DB: f64 = 20.0;

/// `amp` divided by the shape of `loop_through` (interface output straight into its input).
///
/// The loop's response is first divided by its own magnitude at `reference_hz`, so that levels stay those
/// of the recording. Harmonics are not divided (how the loop's response splits between output and input
/// is not known); the loop's own harmonics, scaled to the amp's fundamental, become their
/// [`Value::interface`]. `None` if the two were not measured on the same grid or the loop is silent.
#[must_use]
pub fn divide(amp: &Response, loop_through: &Response, reference_hz: f64) -> Option<Response> {
    let level = loop_through.magnitude_at(reference_hz).filter(|level| *level > 0.0)?;
    if amp.frequencies_hz != loop_through.frequencies_hz {
        return None;
    }
    let fundamental = loop_through.order(1);
    let least = level * crate::units::from_db(-WITHIN_DB);
    let usable = |i: usize| fundamental.get(i).copied().flatten().filter(|v| v.response.norm() >= least);

    let mut out = amp.clone();
    for Order { order, values } in &mut out.orders {
        let loop_values = loop_through.order(*order);
        for (i, value) in values.iter_mut().enumerate() {
            let (Some(v), Some(shape)) = (*value, usable(i)) else {
                *value = None;
                continue;
            };
            *value = Some(if *order == 1 {
                quotient(v, shape, level)
            } else {
                let own = loop_values.get(i).copied().flatten();
                let amp_fundamental = amp.order(1).get(i).copied().flatten();
                let interface = own.zip(amp_fundamental).map_or(0.0, |(own, fundamental)| {
                    own.response.norm() * fundamental.response.norm() / shape.response.norm()
                });
                Value { interface, ..v }
            });
        }
    }
    for (delay, own) in out.group_delay_seconds.iter_mut().zip(&loop_through.group_delay_seconds) {
        *delay -= own;
    }
    out.set_mean_delay();
    Some(out)
}

fn quotient(v: Value, shape: Value, level: f64) -> Value {
    let response: Complex<f64> = v.response / shape.response * level;
    let relative = (v.noise / v.response.norm()).hypot(shape.noise / shape.response.norm());
    Value { response, noise: relative * response.norm(), interface: 0.0 }
}
