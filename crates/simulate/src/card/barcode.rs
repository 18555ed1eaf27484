//! Barcodes as printed: modules of Code 128, Data Matrix and QR.

use serde::{Deserialize, Serialize};

/// A barcode symbology.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Symbology {
    /// Code 128 (ISO/IEC 15417).
    #[serde(rename = "code-128")]
    Code128,
    /// Data Matrix, ECC 200 (ISO/IEC 16022).
    DataMatrix,
    /// QR Code (ISO/IEC 18004).
    QrCode,
}

/// Dark and light modules, without the quiet zone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Modules {
    /// Columns.
    pub(crate) width: usize,
    /// Rows; 1: bars.
    pub(crate) height: usize,
    /// Row by row, true: dark.
    pub(crate) dark: Vec<bool>,
    /// Light modules needed all round.
    pub(crate) quiet: usize,
}

/// The modules that say `text`; `None`: the symbology cannot say it.
pub(crate) fn encode(text: &str, symbology: Symbology) -> Option<Modules> {
    match symbology {
        Symbology::Code128 => code_128(text),
        Symbology::DataMatrix => {
            let list = datamatrix::SymbolList::default().enforce_square();
            let code = datamatrix::DataMatrix::encode(text.as_bytes(), list).ok()?;
            let bitmap = code.bitmap();
            let (width, height) = (bitmap.width(), bitmap.height());
            let mut dark = vec![false; width * height];
            for (x, y) in bitmap.pixels() {
                dark[y * width + x] = true;
            }
            Some(Modules {
                width,
                height,
                dark,
                quiet: 2,
            })
        }
        Symbology::QrCode => {
            let code = qrcodegen::QrCode::encode_text(text, qrcodegen::QrCodeEcc::Medium).ok()?;
            let side = code.size();
            let dark = (0..side * side)
                .map(|i| code.get_module(i % side, i / side))
                .collect();
            Some(Modules {
                width: side as usize,
                height: side as usize,
                dark,
                quiet: 4,
            })
        }
    }
}

/// Widths of bars and spaces by value, ISO/IEC 15417 table 1; 103 to 105 start sets A to C, 106 stops.
const CODE_128: [&str; 107] = [
    "212222", "222122", "222221", "121223", "121322", "131222", "122213", "122312", "132212", "221213",
    "221312", "231212", "112232", "122132", "122231", "113222", "123122", "123221", "223211", "221132",
    "221231", "213212", "223112", "312131", "311222", "321122", "321221", "312212", "322112", "322211",
    "212123", "212321", "232121", "111323", "131123", "131321", "112313", "132113", "132311", "211313",
    "231113", "231311", "112133", "112331", "132131", "113123", "113321", "133121", "313121", "211331",
    "231131", "213113", "213311", "213131", "311123", "311321", "331121", "312113", "312311", "332111",
    "314111", "221411", "431111", "111224", "111422", "121124", "121421", "141122", "141221", "112214",
    "112412", "122114", "122411", "142112", "142211", "241211", "221114", "413111", "241112", "134111",
    "111242", "121142", "121241", "114212", "124112", "124211", "411212", "421112", "421211", "212141",
    "214121", "412121", "111143", "111341", "131141", "114113", "114311", "411113", "411311", "113141",
    "114131", "311141", "411131", "211412", "211214", "211232", "2331112",
];
const TO_SET_C: usize = 99;
const TO_SET_B: usize = 100;
const START_B: usize = 104;
const STOP: usize = 106;

/// Set B throughout, set C for runs of four digits and more.
fn code_128(text: &str) -> Option<Modules> {
    if text.is_empty() || !text.bytes().all(|b| (32..127).contains(&b)) {
        return None;
    }
    let bytes = text.as_bytes();
    let mut values = vec![START_B];
    let mut in_c = false;
    let mut place = 0;
    while place < bytes.len() {
        let digits = bytes[place..].iter().take_while(|b| b.is_ascii_digit()).count();
        // An odd digit before a run is said in set B.
        let pairs_now = digits >= 2 && (in_c || (digits >= 4 && digits.is_multiple_of(2)));
        if pairs_now {
            if !in_c {
                values.push(TO_SET_C);
                in_c = true;
            }
            values.push(usize::from(
                (bytes[place] - b'0') * 10 + (bytes[place + 1] - b'0'),
            ));
            place += 2;
        } else {
            if in_c {
                values.push(TO_SET_B);
                in_c = false;
            }
            values.push(usize::from(bytes[place] - 32));
            place += 1;
        }
    }
    let weighted: usize = values.iter().enumerate().map(|(i, v)| i.max(1) * v).sum();
    values.push(weighted % 103);
    values.push(STOP);
    let mut dark = Vec::new();
    for value in values {
        for (i, width) in CODE_128[value].bytes().enumerate() {
            dark.extend(std::iter::repeat_n(i % 2 == 0, usize::from(width - b'0')));
        }
    }
    Some(Modules {
        width: dark.len(),
        height: 1,
        dark,
        quiet: 10,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_128_symbol_is_eleven_modules_wide_and_unlike_the_others() {
        // ISO/IEC 15417: 11 modules, the stop 13; bars of a symbol sum to an even number.
        for (value, widths) in CODE_128.iter().enumerate() {
            let widths: Vec<u32> = widths.bytes().map(|b| u32::from(b - b'0')).collect();
            let total: u32 = widths.iter().sum();
            assert_eq!(total, if value == STOP { 13 } else { 11 });
            if value != STOP {
                assert_eq!(widths.iter().step_by(2).sum::<u32>() % 2, 0, "{value}");
            }
            assert!(CODE_128[..value].iter().all(|other| other != &CODE_128[value]));
        }
    }
}
