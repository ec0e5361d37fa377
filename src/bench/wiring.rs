//! How pads are wired, drawn in text, 80 columns wide.

use super::series::ohms_text;

/// The question that must be answered before anything is connected.
pub const FIRST_QUESTION: &str = "\
FIRST: is one speaker terminal at chassis? Amp unplugged and discharged, note
what the ohmmeter reads with its leads held together, then measure from each
speaker terminal to the chassis:
  one reads like the leads alone, the other a little more -> A, that one is the
                                                             return
  both high (over 1 kohm), or both alike                  -> B: floating,
                                                             centre-tapped or
                                                             bridged
  you can't tell  -> do not connect; use an isolating transformer, or ask a
                     technician
";

/// Wire A: one speaker terminal is at chassis.
#[must_use]
pub fn grounded(top_ohms: f64, bottom_ohms: f64) -> String {
    let top = ohms_text(top_ohms);
    let bottom = ohms_text(bottom_ohms);
    format!(
        "\
A: one speaker terminal at chassis

 speaker hot ----+-----[ top {top:^8} ]-----+--------- interface input, hot
                 |                           |          (tip, or pin 2)
             [ dummy ]                [ bottom {bottom:^8}]
             [ load  ]                       |
                 |                           |  screen
 speaker return -+---------------------------+--------- interface ground
 (at chassis)                                           (sleeve, or pins 1, 3)

 The pad's ground joins the load at the speaker return and nowhere else. Put the
 pad at the load, so that the cable carries the small signal.
"
    )
}

/// Wire B: neither speaker terminal is at chassis.
#[must_use]
pub fn floating(top_ohms: f64, bottom_ohms: f64) -> String {
    let top = ohms_text(top_ohms / 2.0);
    let bottom = ohms_text(bottom_ohms / 2.0);
    format!(
        "\
B: neither speaker terminal at chassis (the interface's input must be balanced)

 speaker 1 ------+-----[ top {top:^8} ]-----+--------- interface input, pin 2
                 |                           |
             [ dummy ]                [ bottom {bottom:^8}]
             [ load  ]                       +--------- interface ground, pin 1
                 |                    [ bottom {bottom:^8}]
                 |                           |
 speaker 2 ------+-----[ top {top:^8} ]-----+--------- interface input, pin 3

 Four resistors, each half of the value in the table (take the nearest in the
 series, all of one lot). Neither speaker terminal touches ground.
"
    )
}

/// From the interface's output to the amp's input.
#[must_use]
pub fn drive(top_ohms: f64, bottom_ohms: f64) -> String {
    let top = ohms_text(top_ohms);
    let bottom = ohms_text(bottom_ohms);
    format!(
        "\
C: from interface to amp

 interface output, hot ------[ top {top:^8} ]------+------- amp input, tip
 (tip, or pin 2)                                    |
                                             [ bottom {bottom:^8}]
 interface ground                                   |  screen
 (sleeve, or pin 1) --------------------------------+------- amp input, sleeve

 Put the pad at the amp's end. From a balanced output use one leg and ground
 (half the volts); leave the other leg open unless the interface's manual says
 to ground it. Hum here is a ground loop: an isolating transformer cures it;
 a lifted safety earth can kill.
"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drawings_fit_a_terminal() {
        for ohms in [10.0, 4700.0, 976_000.0] {
            for text in
                [grounded(ohms, ohms), floating(ohms, ohms), drive(ohms, ohms), FIRST_QUESTION.to_owned()]
            {
                for line in text.lines() {
                    assert!(line.chars().count() <= 80, "{} columns: {line}", line.chars().count());
                }
            }
        }
    }
}
