//! Limits of valve types, from the table in `assets/valves.csv`: guidance, each row with its source.

use super::model::Limits;

/// The table, with the remarks of its begin.
const TABLE: &str = include_str!("../../assets/valves.csv");

/// What a limit of the person's own is called.
pub const OWN: &str = "your own";

/// What the table says of a type.
#[derive(Debug, Clone, PartialEq)]
pub struct Valve {
    /// The type.
    pub name: String,
    /// Other names of the same valve.
    pub aliases: Vec<String>,
    /// `beam`, `pentode` or `triode (each half)`.
    pub kind: String,
    /// `design-centre`, `design-maximum` or `absolute`: never to be mixed.
    pub rating_system: String,
    /// Plate dissipation.
    pub plate_watts: f64,
    /// Plate to cathode.
    pub plate_volts: f64,
    /// Screen to cathode.
    pub screen_volts: Option<f64>,
    /// Screen dissipation.
    pub screen_watts: Option<f64>,
    /// Cathode current.
    pub cathode_milliamperes: Option<f64>,
    /// What was confirmed: "plate watts read at second hand; rest from memory".
    pub status: String,
    /// Where it comes from.
    pub source: String,
}

impl Valve {
    /// Has it a screen grid?
    #[must_use]
    pub fn has_screen(&self) -> bool {
        self.screen_volts.is_some()
    }

    /// The limits that hold for a build: the person's own over the table's. The rating system is that of the plate
    /// dissipation; of a limit of one's own it is what was written, else [`OWN`].
    #[must_use]
    pub fn limits(&self, own: &Limits) -> Limits {
        let unnamed = if own.plate_watts.is_some() { OWN } else { &self.rating_system };
        Limits {
            rating_system: own.rating_system.clone().or_else(|| Some(unnamed.to_owned())),
            plate_watts: own.plate_watts.or(Some(self.plate_watts)),
            plate_volts: own.plate_volts.or(Some(self.plate_volts)),
            screen_watts: own.screen_watts.or(self.screen_watts),
            screen_volts: own.screen_volts.or(self.screen_volts),
            cathode_milliamperes: own.cathode_milliamperes.or(self.cathode_milliamperes),
        }
    }

    /// Screen current as a share of cathode current, per cent, and where that comes from.
    ///
    /// Out of makers' typical operation (reference §10, mostly from memory); 5 % where none is
    /// known (common practice, no source). 0 for a triode.
    #[must_use]
    pub fn screen_share(&self) -> (f64, &'static str) {
        const TYPICAL: &str = "assumed: typical of the type, from memory";
        match self.name.as_str() {
            _ if !self.has_screen() => (0.0, "a triode has no screen"),
            "6L6GC" => (4.4, TYPICAL),
            "KT66" => (6.9, TYPICAL),
            "6V6GT" | "6V6GTA" => (9.1, TYPICAL),
            "EL84" => (10.3, TYPICAL),
            "EL34" => (13.0, TYPICAL),
            _ => (5.0, "assumed: common practice, no source"),
        }
    }
}

/// All types, in the order of the table.
#[must_use]
pub fn all() -> Vec<Valve> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(TABLE.as_bytes());
    reader.records().filter_map(|row| valve(&row.ok()?)).collect()
}

fn valve(row: &csv::StringRecord) -> Option<Valve> {
    let text = |at: usize| row.get(at).map(|t| t.trim().to_owned()).filter(|t| !t.is_empty());
    let number = |at: usize| text(at)?.parse::<f64>().ok();
    let aliases = text(1).map(|t| t.split(['/', ' ']).map(str::to_owned).collect()).unwrap_or_default();
    Some(Valve {
        name: text(0)?,
        aliases,
        kind: text(2)?,
        rating_system: text(3)?,
        plate_watts: number(4)?,
        plate_volts: number(5)?,
        screen_volts: number(6),
        screen_watts: number(7),
        cathode_milliamperes: number(8),
        status: in_words(&text(11)?),
        source: text(12).unwrap_or_default(),
    })
}

/// The table's short status ("Pa seen; rest mem") in words.
fn in_words(status: &str) -> String {
    let words = [
        ("Pa", "plate watts"),
        ("Va", "plate volts"),
        ("Vg2", "screen volts"),
        ("Pg2", "screen watts"),
        ("seen", "read at second hand"),
        ("mem", "from memory"),
    ];
    let word = |short: &str| {
        words.iter().find(|(s, _)| *s == short).map_or(short.to_owned(), |(_, w)| (*w).to_owned())
    };
    let mut text = String::new();
    for part in status.split_inclusive([' ', ',', ';']) {
        let bare = part.trim_end_matches([' ', ',', ';']);
        text.push_str(&word(bare));
        text.push_str(part.get(bare.len()..).unwrap_or(""));
        if part.ends_with(',') {
            text.push(' ');
        }
    }
    text
}

/// The type of this name or alias; case, blanks and hyphens do not count.
#[must_use]
pub fn find(name: &str) -> Option<Valve> {
    let plain = |text: &str| -> String {
        text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
    };
    let wanted = plain(name);
    let valves = all();
    let by_name = valves.iter().find(|v| plain(&v.name) == wanted);
    by_name.or_else(|| valves.iter().find(|v| v.aliases.iter().any(|a| plain(a) == wanted))).cloned()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_row_of_the_table_is_read() {
        let rows = TABLE.lines().filter(|l| !l.starts_with('#') && !l.is_empty()).count() - 1;
        assert_eq!(all().len(), rows);
        assert!(TABLE.starts_with("# source:"));
        for valve in all() {
            assert!(["design-centre", "design-maximum", "absolute"].contains(&valve.rating_system.as_str()));
            assert_eq!(valve.has_screen(), !valve.kind.starts_with("triode"), "{}", valve.name);
            assert!(!valve.status.is_empty() && valve.plate_watts > 0.0);
        }
    }

    #[test]
    fn types_are_found_by_name_and_alias() {
        // Reference §10.
        let valve = find("6l6-gc").unwrap();
        assert_eq!((valve.plate_watts, valve.plate_volts, valve.screen_volts), (30.0, 500.0, Some(450.0)));
        assert_eq!(valve.rating_system, "design-maximum");
        assert_eq!(find("6BQ5").unwrap().name, "EL84");
        assert_eq!(find("ECC83").unwrap().name, "12AX7");
        assert_eq!(find("KT88").unwrap().rating_system, "design-maximum");
        assert_eq!(find("KT88 (absolute)").unwrap().plate_watts, 42.0);
        assert_eq!(find("6V6"), find("6V6GT"));
        assert_eq!(find("nonesuch"), None);
        assert_eq!(find(""), None);
    }

    #[test]
    fn the_status_is_in_words() {
        assert_eq!(find("6V6GT").unwrap().status, "plate watts read at second hand; rest from memory");
        assert!(all().iter().all(|v| !v.status.contains("mem;") && !v.status.ends_with(" mem")));
    }

    #[test]
    fn own_limits_stand_over_the_table() {
        let own = Limits { plate_watts: Some(27.0), ..Limits::default() };
        let limits = find("6L6GC").unwrap().limits(&own);
        assert_eq!((limits.plate_watts, limits.screen_volts), (Some(27.0), Some(450.0)));
        assert_eq!(limits.rating_system.as_deref(), Some("your own"));
        let screen = Limits { screen_watts: Some(3.0), ..Limits::default() };
        let system = find("6L6GC").unwrap().limits(&screen).rating_system;
        assert_eq!(system.as_deref(), Some("design-maximum"));
    }
}
