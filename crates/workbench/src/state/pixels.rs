//! Pictures on meshes: from the bytes of a PNG or JPEG file to pixels, with the smaller copies that far
//! meshes are drawn with.

use std::io::Cursor;

use png::{ColorType, Decoder, Limits, Transformations};
use understudy_motion::Picture;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// Widest and highest picture that is read, pixels: what graphics adapters draw with.
const LARGEST: usize = 8192;
/// Widest and highest picture that is drawn, pixels; a larger one is halved.
const MOST: usize = 2048;
/// Bytes of a pixel: red, green, blue, opacity.
const BYTES: usize = 4;

/// Pixels of a picture, 8 bits each for red, green, blue (sRGB) and opacity.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pixels {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// How many copies there are, each half as large as the one before.
    pub levels: usize,
    /// All copies, row after row, the largest first.
    pub bytes: Vec<u8>,
}

impl Pixels {
    /// Reads a picture.
    ///
    /// # Errors
    /// Bytes of no PNG or JPEG file, damaged ones, or too large a picture; the text says which.
    pub fn read(picture: &Picture) -> Result<Self, String> {
        let bytes = &picture.bytes;
        let read = match bytes.as_ref() {
            [0x89, b'P', b'N', b'G', ..] => read_png(bytes),
            [0xff, 0xd8, ..] => read_jpeg(bytes),
            _ => Err("it is neither PNG nor JPEG".to_owned()),
        };
        let mut largest = read.map_err(|problem| format!("{}: {problem}", picture.name))?;
        while largest.width.max(largest.height) > MOST {
            largest = largest.halved();
        }
        Ok(largest.with_levels())
    }

    /// Whether what lies behind is seen through some of it.
    pub fn is_see_through(&self) -> bool {
        let largest = &self.bytes[..BYTES * self.width * self.height];
        largest.chunks_exact(BYTES).any(|pixel| pixel[3] < u8::MAX)
    }

    fn one(width: usize, height: usize, bytes: Vec<u8>) -> Result<Self, String> {
        if width == 0 || height == 0 || bytes.len() != BYTES * width * height {
            return Err("it has no pixels".to_owned());
        }
        Ok(Self {
            width,
            height,
            levels: 1,
            bytes,
        })
    }

    /// Half as wide and half as high: each pixel the mean of four, its colour weighed by opacity, so
    /// that what cannot be seen does not shine through at the edges.
    fn halved(&self) -> Self {
        let (width, height) = ((self.width / 2).max(1), (self.height / 2).max(1));
        let mut bytes = Vec::with_capacity(BYTES * width * height);
        let pixel = |x: usize, y: usize| {
            let (x, y) = (x.min(self.width - 1), y.min(self.height - 1));
            let at = BYTES * (y * self.width + x);
            &self.bytes[at..at + BYTES]
        };
        for y in 0..height {
            for x in 0..width {
                let four = [(0, 0), (1, 0), (0, 1), (1, 1)];
                let four = four.map(|(right, down)| pixel(2 * x + right, 2 * y + down));
                let opacity: u32 = four.iter().map(|pixel| u32::from(pixel[3])).sum();
                for part in 0..3 {
                    let sum: u32 = match opacity {
                        0 => four.iter().map(|pixel| u32::from(pixel[part])).sum(),
                        _ => four
                            .iter()
                            .map(|pixel| u32::from(pixel[part]) * u32::from(pixel[3]))
                            .sum(),
                    };
                    let by = if opacity == 0 { 4 } else { opacity };
                    bytes.push(u8::try_from((sum + by / 2) / by).unwrap_or(u8::MAX));
                }
                bytes.push(u8::try_from((opacity + 2) / 4).unwrap_or(u8::MAX));
            }
        }
        Self {
            width,
            height,
            levels: 1,
            bytes,
        }
    }

    fn with_levels(mut self) -> Self {
        let mut last = self.clone();
        while last.width.max(last.height) > 1 {
            last = last.halved();
            self.bytes.extend(&last.bytes);
            self.levels += 1;
        }
        self
    }
}

fn read_png(bytes: &[u8]) -> Result<Pixels, String> {
    let words = |problem: png::DecodingError| format!("the PNG file is damaged: {problem}");
    let limits = Limits {
        bytes: 2 * BYTES * LARGEST * LARGEST,
    };
    let mut decoder = Decoder::new_with_limits(Cursor::new(bytes), limits);
    decoder.set_transformations(Transformations::normalize_to_color8());
    let mut reader = decoder.read_info().map_err(words)?;
    let info = reader.info();
    check_size(info.width as usize, info.height as usize)?;
    let size = reader.output_buffer_size().ok_or("it is too large")?;
    let mut data = vec![0; size];
    let frame = reader.next_frame(&mut data).map_err(words)?;
    data.truncate(frame.buffer_size());
    let pixels = match frame.color_type {
        ColorType::Rgba => data,
        ColorType::Rgb => spread(&data, 3, |p| [p[0], p[1], p[2], u8::MAX]),
        ColorType::GrayscaleAlpha => spread(&data, 2, |p| [p[0], p[0], p[0], p[1]]),
        ColorType::Grayscale => spread(&data, 1, |p| [p[0], p[0], p[0], u8::MAX]),
        ColorType::Indexed => return Err("its palette is missing".to_owned()),
    };
    Pixels::one(frame.width as usize, frame.height as usize, pixels)
}

fn spread(data: &[u8], size: usize, pixel: fn(&[u8]) -> [u8; BYTES]) -> Vec<u8> {
    data.chunks_exact(size).flat_map(pixel).collect()
}

fn read_jpeg(bytes: &[u8]) -> Result<Pixels, String> {
    let options = DecoderOptions::default()
        .set_max_width(LARGEST)
        .set_max_height(LARGEST)
        .jpeg_set_out_colorspace(ColorSpace::RGBA);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    let pixels = decoder.decode();
    let pixels = pixels.map_err(|problem| format!("the JPEG file is damaged: {problem}"))?;
    let (width, height) = decoder.dimensions().ok_or("it has no pixels")?;
    Pixels::one(width, height, pixels)
}

fn check_size(width: usize, height: usize) -> Result<(), String> {
    match width.max(height) > LARGEST {
        true => Err(format!(
            "it has {width} x {height} pixels; at most {LARGEST} x {LARGEST} are drawn"
        )),
        false => Ok(()),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A PNG file of these pixels.
    pub(crate) fn png(colour: ColorType, [width, height]: [u32; 2], data: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, width, height);
        encoder.set_color(colour);
        encoder
            .write_header()
            .unwrap()
            .write_image_data(data)
            .unwrap();
        bytes
    }

    fn read(bytes: &[u8]) -> Result<Pixels, String> {
        Pixels::read(&Picture {
            name: "felt".to_owned(),
            bytes: bytes.into(),
        })
    }

    /// A JPEG file of 8 x 8 pixels of one grey, 128: by hand, after ITU-T T.81. The only coefficient, the
    /// mean, is 0.
    fn grey_jpeg() -> Vec<u8> {
        let mut bytes = vec![0xff, 0xd8];
        let mut segment = |marker: u8, content: &[u8]| {
            bytes.extend([0xff, marker]);
            bytes.extend((content.len() as u16 + 2).to_be_bytes());
            bytes.extend(content);
        };
        segment(0xdb, &[&[0u8][..], &[1; 64]].concat());
        segment(0xc0, &[8, 0, 8, 0, 8, 1, 1, 0x11, 0]);
        // Two tables of one code each, `0`: no difference of the mean, and end of block.
        let mut counts = [0u8; 17];
        counts[1] = 1;
        segment(0xc4, &[&counts[..], &[0]].concat());
        counts[0] = 0x10;
        segment(0xc4, &[&counts[..], &[0]].concat());
        segment(0xda, &[1, 1, 0, 0, 63, 0]);
        bytes.extend([0b0011_1111, 0xff, 0xd9]);
        bytes
    }

    #[test]
    fn pictures_of_all_kinds_are_read() {
        let check = |bytes: &[u8], expected: [u8; 4]| {
            let pixels = read(bytes).unwrap();
            assert_eq!(pixels.bytes[..4], expected);
        };
        check(&png(ColorType::Rgba, [1, 1], &[1, 2, 3, 4]), [1, 2, 3, 4]);
        check(&png(ColorType::Rgb, [1, 1], &[1, 2, 3]), [1, 2, 3, 255]);
        check(&png(ColorType::Grayscale, [1, 1], &[7]), [7, 7, 7, 255]);
        check(
            &png(ColorType::GrayscaleAlpha, [1, 1], &[7, 9]),
            [7, 7, 7, 9],
        );
        check(&grey_jpeg(), [128, 128, 128, 255]);
        assert!(!read(&grey_jpeg()).unwrap().is_see_through());
        let edge = png(ColorType::GrayscaleAlpha, [2, 1], &[7, 255, 7, 254]);
        assert!(read(&edge).unwrap().is_see_through());
    }

    #[test]
    fn smaller_copies_are_means() {
        // Left red, right blue, below that nothing that can be seen.
        let (red, blue, none) = ([200, 0, 0, 255], [0, 0, 100, 255], [9, 250, 9, 0]);
        let rows = [[red, red, blue, blue], [none; 4]].concat().concat();
        let pixels = read(&png(ColorType::Rgba, [4, 2], &rows)).unwrap();
        assert_eq!((pixels.width, pixels.height, pixels.levels), (4, 2, 3));
        assert_eq!(pixels.bytes.len(), BYTES * (8 + 2 + 1));
        assert_eq!(pixels.bytes[32..36], [200, 0, 0, 128]);
        assert_eq!(pixels.bytes[40..], [100, 0, 50, 128]);
    }

    #[test]
    fn large_pictures_are_halved() {
        let size = [MOST as u32 + 2, 3];
        let data = vec![90; size[0] as usize * size[1] as usize];
        let pixels = read(&png(ColorType::Grayscale, size, &data)).unwrap();
        assert_eq!((pixels.width, pixels.height), (MOST / 2 + 1, 1));
        assert!(pixels.bytes.chunks_exact(4).all(|p| p == [90, 90, 90, 255]));
    }

    #[test]
    fn broken_pictures_say_so() {
        let check = |bytes: &[u8], expected: &str| {
            let problem = read(bytes).unwrap_err();
            assert!(
                problem.starts_with("felt: ") && problem.contains(expected),
                "{problem}"
            );
        };
        check(b"RIFF", "neither PNG nor JPEG");
        check(b"", "neither PNG nor JPEG");
        let whole = png(ColorType::Rgb, [4, 4], &[1; 48]);
        check(&whole[..whole.len() / 2], "the PNG file is damaged");
        check(&grey_jpeg()[..30], "the JPEG file is damaged");
        let wide = LARGEST as u32 + 1;
        let wide = png(ColorType::Grayscale, [wide, 1], &vec![0; wide as usize]);
        check(&wide, "at most 8192 x 8192");
    }
}
