//! The orientation tag of an EXIF block, and nothing else of it.

/// Orientation (1 to 8) in the TIFF structure of an EXIF block; `None` when absent or malformed.
pub(super) fn orientation(tiff: &[u8]) -> Option<u8> {
    let little = match tiff.get(..4)? {
        b"II*\0" => true,
        b"MM\0*" => false,
        _ => return None,
    };
    let u16_at = |at: usize| {
        let bytes: [u8; 2] = tiff.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if little {
            u16::from_le_bytes(bytes)
        } else {
            u16::from_be_bytes(bytes)
        })
    };
    let u32_at = |at: usize| {
        let bytes: [u8; 4] = tiff.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if little {
            u32::from_le_bytes(bytes)
        } else {
            u32::from_be_bytes(bytes)
        })
    };
    let directory = u32_at(4)? as usize;
    let count = usize::from(u16_at(directory)?);
    for entry in 0..count {
        let at = directory.checked_add(2 + entry * 12)?;
        // Type 3 is SHORT; its value stands in the first two bytes of the value field.
        if u16_at(at)? == 0x0112 && u16_at(at + 2)? == 3 {
            let value = u16_at(at + 8)?;
            return u8::try_from(value).ok().filter(|value| (1..=8).contains(value));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exif 2.32: a directory of one entry, tag 0x0112, type SHORT, count 1.
    fn block(little: bool, value: u16) -> Vec<u8> {
        let short = |v: u16| if little { v.to_le_bytes() } else { v.to_be_bytes() };
        let long = |v: u32| if little { v.to_le_bytes() } else { v.to_be_bytes() };
        let mut out = if little { b"II".to_vec() } else { b"MM".to_vec() };
        out.extend(short(42));
        out.extend(long(8));
        out.extend(short(1));
        out.extend(short(0x0112));
        out.extend(short(3));
        out.extend(long(1));
        out.extend(short(value));
        out.extend([0, 0]);
        out
    }

    #[test]
    fn both_byte_orders_are_read_and_nonsense_is_none() {
        for little in [true, false] {
            for value in 1..=8 {
                assert_eq!(orientation(&block(little, value)), Some(value as u8));
            }
            assert_eq!(orientation(&block(little, 9)), None);
            let whole = block(little, 6);
            for cut in 0..whole.len() - 2 {
                assert_eq!(orientation(&whole[..cut]), None, "{cut}");
            }
        }
    }
}
