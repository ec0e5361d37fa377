//! A comparison whose every text is fit for markup: what XML and HTML forbid is
//! replaced before anything is drawn. Escaping is left to whoever writes.

use serde_json::Value;

use super::text::for_markup;
use crate::compare::document::Comparison;

/// The same comparison, texts fit for SVG and HTML. Names stay apart if they
/// differed in more than forbidden characters.
pub(crate) fn cleaned(comparison: &Comparison) -> serde_json::Result<Comparison> {
    let mut value = serde_json::to_value(comparison)?;
    clean(&mut value);
    serde_json::from_value(value)
}

fn clean(value: &mut Value) {
    match value {
        Value::String(text) => *text = for_markup(text).into_owned(),
        Value::Array(items) => items.iter_mut().for_each(clean),
        Value::Object(fields) => fields.values_mut().for_each(clean),
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}
