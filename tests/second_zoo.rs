//! A second zoo, bred from the first: files of the same kinds as those in `tests/zoo/`, but made here, one of every
//! pair of traits, so that kinds are read right and not rows. The writer below shares nothing with the reader.
//! (Forms: RIFF of Microsoft and IBM, 1991; WAVEFORMATEXTENSIBLE; EBU Tech 3306; ITU-R BS.2088. What recorders that
//! died or streamed leave behind: common practice, no source.)

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeSet;
use std::f64::consts::TAU;
use std::io::Cursor;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use twinload::takes::Source;

/// How a sample is coded: container bits, significant bits, float.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Coding {
    bits: u16,
    valid: u16,
    float: bool,
}

const CODINGS: [Coding; 11] = [
    Coding { bits: 8, valid: 8, float: false },
    Coding { bits: 16, valid: 16, float: false },
    Coding { bits: 24, valid: 24, float: false },
    Coding { bits: 32, valid: 32, float: false },
    Coding { bits: 16, valid: 12, float: false },
    Coding { bits: 24, valid: 20, float: false },
    Coding { bits: 32, valid: 24, float: false },
    Coding { bits: 32, valid: 20, float: false },
    Coding { bits: 32, valid: 16, float: false },
    Coding { bits: 32, valid: 32, float: true },
    Coding { bits: 64, valid: 64, float: true },
];

#[derive(Debug, Clone, Copy, PartialEq)]
enum Container {
    Riff,
    Rifx,
    Rf64,
    Bw64,
    /// RF64 with a data size of its own that is right, `ds64` repeating it.
    Rf64Short,
}

const CONTAINERS: [Container; 5] =
    [Container::Riff, Container::Rifx, Container::Rf64, Container::Bw64, Container::Rf64Short];

/// What the header says of the length of the audio.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Length {
    Right,
    /// Never finished.
    Zero,
    Placeholder(u32),
    /// More than the file holds.
    Over(u32),
    /// A byte that belongs to no frame.
    OddTail,
}

const LENGTHS: [Length; 8] = [
    Length::Right,
    Length::Right,
    Length::Zero,
    Length::Placeholder(u32::MAX),
    Length::Placeholder(0x7FFF_FFFF),
    Length::Placeholder(0x7FFF_F000),
    Length::Over(4001),
    Length::OddTail,
];

/// Chunks round the audio.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Company {
    None,
    BeforeFmt,
    BeforeData,
    After,
    Everywhere,
}

const COMPANY: [Company; 5] =
    [Company::None, Company::BeforeFmt, Company::BeforeData, Company::After, Company::Everywhere];

const CHANNELS: [u16; 5] = [1, 2, 3, 6, 8];
const RATES: [u32; 6] = [44_056, 44_100, 48_000, 88_200, 96_000, 192_000];

#[derive(Debug, Clone, Copy)]
struct Animal {
    coding: Coding,
    container: Container,
    length: Length,
    company: Company,
    extensible: bool,
    channels: u16,
    rate: u32,
    frames: usize,
}

impl Animal {
    fn random(random: &mut ChaCha8Rng) -> Self {
        let mut pick = |count: usize| random.next_u32() as usize % count;
        let coding = CODINGS[pick(CODINGS.len())];
        Self {
            coding,
            container: CONTAINERS[pick(CONTAINERS.len())],
            length: LENGTHS[pick(LENGTHS.len())],
            company: COMPANY[pick(COMPANY.len())],
            // Only the extensible form can say that fewer bits are valid.
            extensible: coding.valid < coding.bits || pick(2) == 1,
            channels: CHANNELS[pick(CHANNELS.len())],
            rate: RATES[pick(RATES.len())],
            frames: 900 + pick(300),
        }
    }

    /// RF64's 64-bit sizes say the length, so what its data chunk says is no lie; and chunks after audio of unknown
    /// length cannot be told from it.
    fn is_possible(&self) -> bool {
        let is_64 = matches!(self.container, Container::Rf64 | Container::Bw64 | Container::Rf64Short);
        let after = matches!(self.company, Company::After | Company::Everywhere);
        match self.length {
            Length::Right => true,
            _ if is_64 => false,
            Length::OddTail => !after && self.frame_bytes() > 1,
            _ => !after,
        }
    }

    fn frame_bytes(&self) -> usize {
        usize::from(self.channels) * usize::from(self.coding.bits / 8)
    }

    /// Value of a sample: 1000 Hz at half of full scale, each channel a factor √½ under the one before it.
    fn value(&self, frame: usize, channel: u16) -> f64 {
        0.5 * 0.5f64.powf(f64::from(channel) / 2.0)
            * (TAU * 1000.0 * frame as f64 / f64::from(self.rate)).sin()
    }

    fn sample(&self, value: f64, big: bool, out: &mut Vec<u8>) {
        let Coding { bits, valid, float } = self.coding;
        let little: Vec<u8> = match (float, bits) {
            (true, 32) => (value as f32).to_le_bytes().to_vec(),
            (true, _) => value.to_le_bytes().to_vec(),
            (false, 8) => vec![((value * 128.0).round() as i32 + 128) as u8],
            // The valid bits stand at the top.
            (false, _) => {
                let code = (value * 2f64.powi(i32::from(valid) - 1)).round() as i64;
                ((code << (bits - valid)) as i32).to_le_bytes()[..usize::from(bits / 8)].to_vec()
            }
        };
        if big { out.extend(little.iter().rev()) } else { out.extend(little) }
    }

    fn file(&self) -> Vec<u8> {
        let big = self.container == Container::Rifx;
        let u16s = |n: u16| if big { n.to_be_bytes() } else { n.to_le_bytes() };
        let u32s = |n: u32| if big { n.to_be_bytes() } else { n.to_le_bytes() };
        let chunk = |id: &[u8; 4], body: &[u8]| {
            [&id[..], &u32s(body.len() as u32), body, &vec![0; body.len() % 2]].concat()
        };
        let Coding { bits, valid, float } = self.coding;
        let tag = if float { 3u16 } else { 1 };
        let mut fmt = [
            &u16s(if self.extensible { 0xFFFE } else { tag })[..],
            &u16s(self.channels),
            &u32s(self.rate),
            &u32s(self.rate * self.frame_bytes() as u32),
            &u16s(self.frame_bytes() as u16),
            &u16s(bits),
        ]
        .concat();
        if self.extensible {
            fmt.extend(u16s(22));
            fmt.extend(u16s(valid));
            fmt.extend(u32s(0));
            // {tag-0000-0010-8000-00AA00389B71}; its first fields are numbers.
            fmt.extend(u32s(u32::from(tag)));
            fmt.extend(u16s(0));
            fmt.extend(u16s(0x10));
            fmt.extend([0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71]);
        }
        let mut data = Vec::new();
        for frame in 0..self.frames {
            for channel in 0..self.channels {
                self.sample(self.value(frame, channel), big, &mut data);
            }
        }
        if self.length == Length::OddTail {
            data.push(0x55);
        }
        let said = match self.length {
            Length::Right | Length::OddTail => data.len() as u32,
            Length::Zero => 0,
            Length::Placeholder(size) => size,
            Length::Over(more) => data.len() as u32 + more,
        };
        let is_64 = matches!(self.container, Container::Rf64 | Container::Bw64);
        let is_short = self.container == Container::Rf64Short;
        let mut body = b"WAVE".to_vec();
        if is_64 || is_short {
            let ds64 = [
                &(data.len() as u64 + 200).to_le_bytes()[..],
                &(data.len() as u64).to_le_bytes(),
                &(self.frames as u64).to_le_bytes(),
                &0u32.to_le_bytes(),
            ]
            .concat();
            body.extend(chunk(b"ds64", &ds64));
        }
        // Odd lengths, and words that look like the chunks that count.
        let odd = chunk(b"LIST", b"INFOdata fmt RIFF0");
        let odder = chunk(b"bext", b"data\x04\x00\x00\x00fmt xyz");
        let has = |at: Company| self.company == at || self.company == Company::Everywhere;
        if has(Company::BeforeFmt) {
            body.extend(&odder);
        }
        body.extend(chunk(b"fmt ", &fmt));
        if has(Company::BeforeData) {
            body.extend(&odd);
            body.extend(&odder);
        }
        body.extend(b"data");
        body.extend(u32s(if is_64 { u32::MAX } else { said }));
        body.extend(&data);
        if self.length == Length::Right {
            body.extend(vec![0; data.len() % 2]);
        }
        if has(Company::After) {
            body.extend(&odder);
            body.extend(&odd);
        }
        let magic = match self.container {
            Container::Riff => b"RIFF",
            Container::Rifx => b"RIFX",
            Container::Rf64 | Container::Rf64Short => b"RF64",
            Container::Bw64 => b"BW64",
        };
        let riff = match (is_64 || is_short, self.length) {
            (true, _) => u32::MAX,
            (_, Length::Zero) => 0,
            (_, Length::Placeholder(size)) => size,
            _ => body.len() as u32,
        };
        [&magic[..], &u32s(riff), &body].concat()
    }

    /// The finding that must be there; none may be of a file in order.
    fn must_say(&self) -> Option<&'static str> {
        match self.length {
            Length::Right => None,
            Length::Zero => Some("header_never_finished"),
            Length::Placeholder(_) => Some("header_placeholder"),
            Length::Over(_) => Some("file_cut_short"),
            Length::OddTail => Some("partial_frame"),
        }
    }

    /// What is wrong with the reading of it.
    fn fault(&self) -> Option<String> {
        let mut source = match Source::from_reader("made.wav", Box::new(Cursor::new(self.file()))) {
            Ok(source) => source,
            Err(error) => return Some(format!("refused: {error}")),
        };
        let head = (source.rate_hz(), source.channels());
        if head != (self.rate, usize::from(self.channels)) {
            return Some(format!("read as {head:?}"));
        }
        let (mut all, mut block) = (Vec::new(), Vec::new());
        while source.read(&mut block).unwrap() > 0 {
            all.extend_from_slice(&block);
        }
        if all.len() != self.frames * usize::from(self.channels) {
            return Some(format!("{} samples", all.len()));
        }
        // Half a step of the code; float32 is rounded at 2⁻²⁵.
        let step =
            if self.coding.float { 2f64.powi(-24) } else { 2f64.powi(1 - i32::from(self.coding.valid)) };
        let wrong = all.iter().enumerate().find(|(n, x)| {
            let (frame, channel) = (n / usize::from(self.channels), n % usize::from(self.channels));
            (**x - self.value(frame, channel as u16)).abs() > 0.501 * step
        });
        if let Some((n, x)) = wrong {
            return Some(format!("sample {n} is {x}"));
        }
        // Gone to a place in the middle, it reads on from there.
        let middle = self.frames as u64 / 2;
        let mut source = Source::from_reader("made.wav", Box::new(Cursor::new(self.file()))).unwrap();
        let at = source.skip_to(middle) as usize * usize::from(self.channels);
        source.read(&mut block).unwrap();
        if at == 0 || block.is_empty() || all.get(at..at + block.len()) != Some(&block[..]) {
            return Some(format!("from frame {middle} on it reads something else"));
        }
        let said: Vec<String> = source.findings().iter().map(|f| f.code.clone()).collect();
        match self.must_say() {
            Some(code) if !said.iter().any(|s| s == code) => Some(format!("{code} is not in {said:?}")),
            None if !said.is_empty() => Some(format!("in order, but {said:?}")),
            _ => None,
        }
    }
}

#[test]
fn every_pair_of_traits_is_read_right() {
    let mut random = ChaCha8Rng::seed_from_u64(0x5ec0);
    let mut faults: Vec<String> = Vec::new();
    let mut pairs: BTreeSet<String> = BTreeSet::new();
    let mut read = 0;
    while read < 3000 {
        let animal = Animal::random(&mut random);
        if !animal.is_possible() {
            continue;
        }
        read += 1;
        let traits = [
            format!("{:?}", animal.coding),
            format!("{:?}", animal.container),
            format!("{:?}", animal.length),
            format!("{:?} {}", animal.company, animal.extensible),
            format!("{}", animal.channels),
            format!("{}", animal.rate),
        ];
        for (i, a) in traits.iter().enumerate() {
            pairs.extend(traits.iter().skip(i + 1).map(|b| format!("{a} with {b}")));
        }
        if let Some(fault) = animal.fault() {
            faults.push(format!("{animal:?}: {fault}"));
        }
    }
    assert!(faults.is_empty(), "{} of {read}:\n{}", faults.len(), faults[..faults.len().min(12)].join("\n"));
    // All that are possible have come up: more files bring no new pair.
    assert!(pairs.len() > 700, "{}", pairs.len());
}
