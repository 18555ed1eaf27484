//! Reads what `spotwright look --json` writes: an array, an object a photograph, either flat or as the record the
//! reports use.

use serde_json::Value;
use std::io;
use std::path::Path;

/// What was said of a photograph.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FoundPhoto {
    /// The file's name, without folders.
    pub file: String,
    /// The layout recognised.
    pub layout: Option<String>,
    /// Projective map from millimetres to pixels, row by row.
    pub card_to_photo: Option<[f64; 9]>,
    /// Texts of the codes read.
    pub codes: Vec<String>,
    /// Words of the problems.
    pub problems: Vec<String>,
    /// Spots; `None`: the photograph was refused.
    pub spots: Option<Vec<FoundSpot>>,
}

/// What was said of a spot.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FoundSpot {
    /// Number of the circle.
    pub index: u32,
    /// Centre of the area (mm).
    pub centre_mm: Option<[f64; 2]>,
    /// Area (mm²).
    pub area_mm2: Option<f64>,
    /// Whether it may be used, with comment or without.
    pub may_be_used: bool,
    /// Words of the reasons.
    pub reasons: Vec<String>,
    /// Where to extract (mm).
    pub site_mm: Option<[f64; 2]>,
}

/// Reads a file of findings.
///
/// # Errors
/// When the file is missing, is not JSON, or is not an array of photographs.
pub fn read_look(file: &Path) -> io::Result<Vec<FoundPhoto>> {
    let value: Value = serde_json::from_reader(io::BufReader::new(std::fs::File::open(file)?))?;
    let list = value
        .as_array()
        .or_else(|| value["cards"].as_array())
        .ok_or_else(|| io::Error::other("expected an array of photographs"))?;
    list.iter().map(photo).collect()
}

fn photo(value: &Value) -> io::Result<FoundPhoto> {
    let path = value["file"]
        .as_str()
        .ok_or_else(|| io::Error::other("a photograph without a file"))?;
    let spots = value["spots"]
        .as_array()
        .or_else(|| value["card"]["spots"].as_array());
    let spots = spots
        .map(|spots| spots.iter().map(spot).collect::<io::Result<Vec<_>>>())
        .transpose()?;
    let layout = value["layout"]
        .as_str()
        .or_else(|| value["place"]["layout"].as_str());
    let map: Option<Vec<f64>> = value["place"]["card_to_photo"]
        .as_array()
        .and_then(|map| map.iter().map(Value::as_f64).collect());
    Ok(FoundPhoto {
        file: path.rsplit(['/', '\\']).next().unwrap_or(path).to_owned(),
        layout: layout.map(str::to_owned),
        card_to_photo: map.and_then(|map| map.try_into().ok()),
        codes: codes(value),
        problems: words(&value["problems"]),
        spots,
    })
}

fn codes(value: &Value) -> Vec<String> {
    let one = value["barcode"]["text"]
        .as_str()
        .or_else(|| value["barcode"].as_str());
    let several = value["barcodes"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|code| code["text"].as_str());
    one.into_iter().chain(several).map(str::to_owned).collect()
}

fn words(list: &Value) -> Vec<String> {
    let word = |value: &Value| {
        value
            .as_str()
            .or_else(|| value["code"].as_str())
            .map(str::to_owned)
    };
    list.as_array().into_iter().flatten().filter_map(word).collect()
}

fn spot(value: &Value) -> io::Result<FoundSpot> {
    let index = value["index"]
        .as_u64()
        .and_then(|index| u32::try_from(index).ok());
    let measure = |name: &str| {
        let flat = &value[name];
        if flat.is_null() {
            value["measures"][name].clone()
        } else {
            flat.clone()
        }
    };
    let suitability = value["suitability"].as_str();
    Ok(FoundSpot {
        index: index.ok_or_else(|| io::Error::other("a spot without an index"))?,
        centre_mm: pair(&measure("centre_mm")),
        area_mm2: measure("area_mm2").as_f64(),
        may_be_used: match suitability {
            Some("suitable" | "suitable-with-comment") => true,
            Some("unsuitable") => false,
            other => return Err(io::Error::other(format!("unknown suitability {other:?}"))),
        },
        reasons: words(&value["reasons"]),
        site_mm: pair(&value["site_mm"]).or_else(|| pair(&value["site"]["centre_mm"])),
    })
}

fn pair(value: &Value) -> Option<[f64; 2]> {
    Some([value[0].as_f64()?, value[1].as_f64()?])
}
