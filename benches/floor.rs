//! The floor under any analysis of a take: decode the file to f64 and pass its samples once through real FFTs.
//!
//! `cargo bench --bench floor -- FILE.wav` (integer PCM, one channel). It does only what it must: one read of the
//! file in blocks, one plan, non-overlapping transforms of 65,536 points. Without a file it says so and ends.

#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::error::Error;
use std::fs::File;
use std::io::{BufReader, Read};

use realfft::RealFftPlanner;

/// Points of a transform.
const POINTS: usize = 65_536;

fn main() -> Result<(), Box<dyn Error>> {
    let Some(path) = std::env::args().skip(1).find(|a| !a.starts_with('-')) else {
        eprintln!("usage: cargo bench --bench floor -- FILE.wav");
        return Ok(());
    };
    let mut file = BufReader::with_capacity(1 << 20, File::open(path)?);
    let bytes = find_data(&mut file)?;
    let forward = RealFftPlanner::<f64>::new().plan_fft_forward(POINTS);
    let mut samples = forward.make_input_vec();
    let mut bins = forward.make_output_vec();
    let mut scratch = forward.make_scratch_vec();
    let mut raw = vec![0u8; POINTS * bytes];
    let (mut count, mut sum) = (0usize, 0.0);
    loop {
        let got = fill(&mut file, &mut raw)?;
        if got == 0 {
            break;
        }
        raw[got..].fill(0);
        decode(&raw, bytes, &mut samples);
        count += got / bytes;
        forward.process_with_scratch(&mut samples, &mut bins, &mut scratch)?;
        sum += bins[POINTS / 8].norm_sqr();
    }
    println!("{count} samples, {sum:.6e}");
    Ok(())
}

/// Little-endian integers of 2, 3 or 4 bytes as values in -1..1.
fn decode(raw: &[u8], bytes: usize, samples: &mut [f64]) {
    match bytes {
        2 => {
            for (s, b) in samples.iter_mut().zip(raw.chunks_exact(2)) {
                *s = f64::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0;
            }
        }
        3 => {
            for (s, b) in samples.iter_mut().zip(raw.chunks_exact(3)) {
                *s = f64::from(i32::from_le_bytes([0, b[0], b[1], b[2]])) / 2_147_483_648.0;
            }
        }
        _ => {
            for (s, b) in samples.iter_mut().zip(raw.chunks_exact(4)) {
                *s = f64::from(i32::from_le_bytes([b[0], b[1], b[2], b[3]])) / 2_147_483_648.0;
            }
        }
    }
}

/// Reads until the block is full or the file ends.
fn fill(file: &mut impl Read, block: &mut [u8]) -> std::io::Result<usize> {
    let mut got = 0;
    while got < block.len() {
        match file.read(&mut block[got..])? {
            0 => break,
            n => got += n,
        }
    }
    Ok(got)
}

/// Walks to the data chunk of a one-channel WAVE file; gives the bytes of a sample.
fn find_data(file: &mut impl Read) -> Result<usize, Box<dyn Error>> {
    let mut head = [0u8; 12];
    file.read_exact(&mut head)?;
    let mut bytes = 0;
    loop {
        let mut chunk = [0u8; 8];
        file.read_exact(&mut chunk)?;
        let length = u32::from_le_bytes([chunk[4], chunk[5], chunk[6], chunk[7]]);
        if &chunk[..4] == b"data" {
            return Ok(bytes);
        }
        let mut body = vec![0u8; length as usize + (length % 2) as usize];
        file.read_exact(&mut body)?;
        if &chunk[..4] == b"fmt " {
            if body[2] != 1 {
                return Err("one channel, please".into());
            }
            bytes = usize::from(body[14]) / 8;
        }
    }
}
