//! Conversions between decibels, volts, watts and full scale.

/// 1 mW in 600 ohms: the reference of dBu, in volts RMS.
pub const DBU_REFERENCE_VOLTS: f64 = 0.774_596_669_241_483_4;

/// Decibels of a small relative change of an amplitude: 20/ln 10.
pub const DB_PER_CHANGE: f64 = 20.0 / std::f64::consts::LN_10;

/// Decibels of an amplitude ratio.
#[must_use]
pub fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Amplitude ratio of decibels.
#[must_use]
pub fn from_db(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Decibels of a power ratio.
#[must_use]
pub fn power_db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// dBFS of a sine with this peak (AES17-2020 3.12.3: a full-scale sine is 0 dBFS).
#[must_use]
pub fn dbfs_of_peak(peak: f64) -> f64 {
    db(peak)
}

/// dBFS of a signal with this RMS (sine-referred: RMS 1/√2 is 0 dBFS).
#[must_use]
pub fn dbfs_of_rms(rms: f64) -> f64 {
    db(rms * std::f64::consts::SQRT_2)
}

/// Volts RMS of a level in dBu.
#[must_use]
pub fn volts_of_dbu(dbu: f64) -> f64 {
    DBU_REFERENCE_VOLTS * from_db(dbu)
}

/// Level in dBu of volts RMS.
#[must_use]
pub fn dbu_of_volts(volts_rms: f64) -> f64 {
    db(volts_rms / DBU_REFERENCE_VOLTS)
}

/// Watts of volts RMS across a load.
#[must_use]
pub fn watts(volts_rms: f64, load_ohms: f64) -> f64 {
    volts_rms * volts_rms / load_ohms
}
