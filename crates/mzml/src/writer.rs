//! Writing mzML 1.1.0: SRM chromatograms, streamed, with index and SHA-1 or plain.

use std::io::Write;

use sha1::{Digest, Sha1};
use spotwright_domain::trace::{IsolationWindow, Polarity, Trace, TraceKind};

use crate::encode::{ArrayEncoding, append_array};
use crate::error::WriteError;

/// What stands at the head of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileHead<'a> {
    /// The run's id. Characters an XML id cannot hold are written `_xHHHH_`, as converters do.
    pub run_id: &'a str,
    /// When the run started, as `xs:dateTime`, when known. The writer has no clock.
    pub start_time_stamp: Option<&'a str>,
    /// Name of the program that made the traces.
    pub software: &'a str,
    /// Its version.
    pub software_version: &'a str,
}

/// The unit times are written in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum WriteTimeUnit {
    /// As handed in; exact.
    #[default]
    Minute,
    /// Times 60, rounded to a double.
    Second,
}

/// How a file is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WriteOptions {
    /// Coding of times.
    pub time: ArrayEncoding,
    /// Coding of intensities.
    pub intensity: ArrayEncoding,
    /// Unit of times.
    pub time_unit: WriteTimeUnit,
    /// Whether to write an index and the SHA-1. Without the SHA-1 some damage cannot be noticed.
    pub indexed: bool,
}

impl Default for WriteOptions {
    /// 64-bit times, 32-bit intensities, zlib, minutes, indexed: what most converters write.
    fn default() -> Self {
        Self {
            time: ArrayEncoding::FLOAT_64.zlib(),
            intensity: ArrayEncoding::FLOAT_32.zlib(),
            time_unit: WriteTimeUnit::Minute,
            indexed: true,
        }
    }
}

/// One chromatogram to write.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chromatogram<'a> {
    /// Its id, unique in the file by good custom.
    pub id: &'a str,
    /// What it records.
    pub kind: TraceKind,
    /// Polarity, when known.
    pub polarity: Option<Polarity>,
    /// First mass filter.
    pub precursor: Option<IsolationWindow>,
    /// Second mass filter.
    pub product: Option<IsolationWindow>,
    /// Dwell time (s), when known.
    pub dwell_s: Option<f64>,
    /// Times (min).
    pub time_min: &'a [f64],
    /// Intensities, one a time.
    pub intensity: &'a [f64],
}

impl<'a> From<&'a Trace> for Chromatogram<'a> {
    fn from(trace: &'a Trace) -> Self {
        Self {
            id: &trace.id,
            kind: trace.kind,
            polarity: trace.polarity,
            precursor: trace.precursor,
            product: trace.product,
            dwell_s: trace.dwell_s,
            time_min: &trace.time_min,
            intensity: &trace.intensity,
        }
    }
}

/// Writes one file, chromatogram by chromatogram. Same input, same bytes.
///
/// # Examples
/// ```
/// use spotwright_mzml::{Chromatogram, FileHead, MzmlWriter, WriteOptions, parse_bytes};
/// use spotwright_domain::trace::{IsolationWindow, TraceKind};
///
/// let head = FileHead { run_id: "day-1", start_time_stamp: None, software: "example", software_version: "1" };
/// let window = |target_mz| Some(IsolationWindow { target_mz, lower_offset_mz: None, upper_offset_mz: None });
/// let mut writer = MzmlWriter::new(Vec::new(), &head, &WriteOptions::default(), 1)?;
/// writer.write(&Chromatogram {
///     id: "quantifier",
///     kind: TraceKind::SelectedReactionMonitoring,
///     polarity: None,
///     precursor: window(237.1),
///     product: window(194.1),
///     dwell_s: Some(0.05),
///     time_min: &[1.0, 1.01, 1.02],
///     intensity: &[10.0, 250.0, 12.0],
/// })?;
/// let bytes = writer.finish()?;
/// let read = parse_bytes(&bytes, &Default::default(), &mut Default::default())?;
/// assert_eq!(read.traces[0].intensity, [10.0, 250.0, 12.0]);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct MzmlWriter<W: Write> {
    out: W,
    options: WriteOptions,
    announced: usize,
    entries: Vec<(String, u64)>,
    hasher: Sha1,
    written: u64,
    text: String,
}

impl<W: Write> MzmlWriter<W> {
    /// Writes the head of a file that will hold `chromatograms` chromatograms.
    ///
    /// # Errors
    /// When writing fails or a text cannot be written as XML.
    pub fn new(
        out: W,
        head: &FileHead<'_>,
        options: &WriteOptions,
        chromatograms: usize,
    ) -> Result<Self, WriteError> {
        let mut writer = Self {
            out,
            options: *options,
            announced: chromatograms,
            entries: Vec::with_capacity(chromatograms.min(1 << 16)),
            hasher: Sha1::new(),
            written: 0,
            text: String::new(),
        };
        writer.head(head)?;
        writer.flush()?;
        Ok(writer)
    }

    /// Writes one chromatogram.
    ///
    /// # Errors
    /// When arrays differ in length, a value is not finite or does not fit its coding, or writing fails. Nothing of the
    /// chromatogram is then written.
    pub fn write(&mut self, chromatogram: &Chromatogram<'_>) -> Result<(), WriteError> {
        let offset = self.written + "        ".len() as u64;
        let done = self.chromatogram(chromatogram);
        if done.is_err() {
            self.text.clear();
        }
        done?;
        self.flush()?;
        self.entries.push((chromatogram.id.to_owned(), offset));
        Ok(())
    }

    /// Writes the end of the file and hands the writer back (flushed).
    ///
    /// # Errors
    /// When another number of chromatograms was announced, or writing fails.
    pub fn finish(mut self) -> Result<W, WriteError> {
        if self.entries.len() != self.announced {
            return Err(WriteError::Count {
                announced: self.announced,
                written: self.entries.len(),
            });
        }
        if self.announced > 0 {
            self.text.push_str("      </chromatogramList>\n");
        }
        self.text.push_str("    </run>\n  </mzML>\n");
        if self.options.indexed {
            let list = self.written + self.text.len() as u64 + 2;
            let count = u8::from(self.announced > 0);
            // The schema wants at least one index; a file without chromatograms gets an empty list of none.
            self.text.push_str(&format!("  <indexList count=\"{count}\">\n"));
            if self.announced > 0 {
                self.text.push_str("    <index name=\"chromatogram\">\n");
                for (id, offset) in std::mem::take(&mut self.entries) {
                    self.text.push_str("      <offset idRef=\"");
                    escape(&id, &mut self.text)?;
                    self.text.push_str(&format!("\">{offset}</offset>\n"));
                }
                self.text.push_str("    </index>\n");
            }
            self.text.push_str(&format!(
                "  </indexList>\n  <indexListOffset>{list}</indexListOffset>\n  <fileChecksum>"
            ));
            self.flush()?;
            for byte in self.hasher.clone().finalize() {
                self.text.push_str(&format!("{byte:02x}"));
            }
            self.text.push_str("</fileChecksum>\n</indexedmzML>\n");
        }
        self.flush()?;
        self.out.flush()?;
        Ok(self.out)
    }

    fn flush(&mut self) -> Result<(), WriteError> {
        self.out.write_all(self.text.as_bytes())?;
        if self.options.indexed {
            self.hasher.update(self.text.as_bytes());
        }
        self.written += self.text.len() as u64;
        self.text.clear();
        Ok(())
    }

    fn head(&mut self, head: &FileHead<'_>) -> Result<(), WriteError> {
        const SCHEMA: &str = "xmlns=\"http://psi.hupo.org/ms/mzml\" \
             xmlns:xsi=\"http://www.w3.org/2001/XMLSchema-instance\" \
             xsi:schemaLocation=\"http://psi.hupo.org/ms/mzml http://psidev.info/files/ms/mzML/xsd/";
        let text = &mut self.text;
        text.push_str("<?xml version=\"1.0\" encoding=\"utf-8\"?>\n");
        if self.options.indexed {
            text.push_str(&format!("<indexedmzML {SCHEMA}mzML1.1.0_idx.xsd\">\n"));
        }
        text.push_str(&format!("  <mzML {SCHEMA}mzML1.1.0.xsd\" version=\"1.1.0\">\n"));
        text.push_str(VOCABULARIES);
        text.push_str("    <softwareList count=\"1\">\n      <software id=\"software\" version=\"");
        escape(head.software_version, text)?;
        text.push_str("\">\n        ");
        param(
            text,
            "MS:1000799",
            "custom unreleased software tool",
            head.software,
            None,
        )?;
        text.push_str("      </software>\n    </softwareList>\n");
        text.push_str(INSTRUMENT);
        text.push_str("    <run id=\"");
        escape(&xml_id(head.run_id), text)?;
        text.push_str("\" defaultInstrumentConfigurationRef=\"instrument\"");
        if let Some(stamp) = head.start_time_stamp {
            text.push_str(" startTimeStamp=\"");
            escape(stamp, text)?;
            text.push('"');
        }
        text.push_str(">\n");
        if self.announced > 0 {
            let count = self.announced;
            text.push_str(&format!(
                "      <chromatogramList count=\"{count}\" defaultDataProcessingRef=\"processing\">\n"
            ));
        }
        Ok(())
    }

    fn chromatogram(&mut self, c: &Chromatogram<'_>) -> Result<(), WriteError> {
        if self.entries.len() == self.announced {
            return Err(WriteError::Count {
                announced: self.announced,
                written: self.announced + 1,
            });
        }
        if c.time_min.len() != c.intensity.len() {
            let (times, intensities) = (c.time_min.len(), c.intensity.len());
            return Err(WriteError::UnequalArrays {
                id: c.id.to_owned(),
                times,
                intensities,
            });
        }
        let (index, points) = (self.entries.len(), c.time_min.len());
        let text = &mut self.text;
        text.push_str(&format!("        <chromatogram index=\"{index}\" id=\""));
        escape(c.id, text)?;
        text.push_str(&format!("\" defaultArrayLength=\"{points}\">\n"));
        if let Some((accession, name)) = kind_term(c.kind) {
            indented(text, 10, accession, name, "", None)?;
        }
        match c.polarity {
            Some(Polarity::Positive) => indented(text, 10, "MS:1000130", "positive scan", "", None)?,
            Some(Polarity::Negative) => indented(text, 10, "MS:1000129", "negative scan", "", None)?,
            None => {}
        }
        if let Some(dwell) = c.dwell_s {
            let dwell = finite(c.id, "dwell time", dwell)?;
            indented(text, 10, "MS:1000502", "dwell time", &dwell, Some(SECOND))?;
        }
        if let Some(precursor) = &c.precursor {
            text.push_str("          <precursor>\n");
            window(text, c.id, precursor)?;
            text.push_str("            <activation>\n");
            indented(text, 14, "MS:1000133", "collision-induced dissociation", "", None)?;
            text.push_str("            </activation>\n          </precursor>\n");
        }
        if let Some(product) = &c.product {
            text.push_str("          <product>\n");
            window(text, c.id, product)?;
            text.push_str("          </product>\n");
        }
        text.push_str("          <binaryDataArrayList count=\"2\">\n");
        let seconds: Vec<f64>;
        let (times, unit) = match self.options.time_unit {
            WriteTimeUnit::Minute => (c.time_min, MINUTE),
            WriteTimeUnit::Second => {
                seconds = c.time_min.iter().map(|time| time * 60.0).collect();
                (seconds.as_slice(), SECOND)
            }
        };
        const COUNTS: Unit = ("MS", "MS:1000131", "number of detector counts");
        let arrays = [
            ("MS:1000595", "time array", times, unit, self.options.time),
            (
                "MS:1000515",
                "intensity array",
                c.intensity,
                COUNTS,
                self.options.intensity,
            ),
        ];
        for (accession, name, values, unit, encoding) in arrays {
            if let Some(value) = values.iter().find(|value| !value.is_finite()) {
                let (id, value) = (c.id.to_owned(), value.to_string());
                return Err(WriteError::NonFinite {
                    id,
                    what: name,
                    value,
                });
            }
            append_array(text, c.id, (accession, name, unit), values, encoding)?;
        }
        text.push_str("          </binaryDataArrayList>\n        </chromatogram>\n");
        Ok(())
    }
}

/// Vocabulary, accession, name.
pub(crate) type Unit = (&'static str, &'static str, &'static str);

const MINUTE: Unit = ("UO", "UO:0000031", "minute");
const SECOND: Unit = ("UO", "UO:0000010", "second");
const MZ: Unit = ("MS", "MS:1000040", "m/z");

const VOCABULARIES: &str = r#"    <cvList count="2">
      <cv id="MS" fullName="Proteomics Standards Initiative Mass Spectrometry Ontology" URI="http://purl.obolibrary.org/obo/ms.obo"/>
      <cv id="UO" fullName="Unit Ontology" URI="http://purl.obolibrary.org/obo/uo.obo"/>
    </cvList>
    <fileDescription>
      <fileContent>
        <cvParam cvRef="MS" accession="MS:1001473" name="selected reaction monitoring chromatogram" value=""/>
      </fileContent>
    </fileDescription>
"#;

const INSTRUMENT: &str = r#"    <instrumentConfigurationList count="1">
      <instrumentConfiguration id="instrument">
        <cvParam cvRef="MS" accession="MS:1000031" name="instrument model" value=""/>
        <componentList count="5">
          <source order="1">
            <cvParam cvRef="MS" accession="MS:1000073" name="electrospray ionization" value=""/>
          </source>
          <analyzer order="2">
            <cvParam cvRef="MS" accession="MS:1000081" name="quadrupole" value=""/>
          </analyzer>
          <analyzer order="3">
            <cvParam cvRef="MS" accession="MS:1000081" name="quadrupole" value=""/>
          </analyzer>
          <analyzer order="4">
            <cvParam cvRef="MS" accession="MS:1000081" name="quadrupole" value=""/>
          </analyzer>
          <detector order="5">
            <cvParam cvRef="MS" accession="MS:1000253" name="electron multiplier" value=""/>
          </detector>
        </componentList>
        <softwareRef ref="software"/>
      </instrumentConfiguration>
    </instrumentConfigurationList>
    <dataProcessingList count="1">
      <dataProcessing id="processing">
        <processingMethod order="1" softwareRef="software">
          <cvParam cvRef="MS" accession="MS:1000544" name="Conversion to mzML" value=""/>
        </processingMethod>
      </dataProcessing>
    </dataProcessingList>
"#;

const fn kind_term(kind: TraceKind) -> Option<(&'static str, &'static str)> {
    match kind {
        TraceKind::TotalIonCurrent => Some(("MS:1000235", "total ion current chromatogram")),
        TraceKind::BasePeak => Some(("MS:1000628", "basepeak chromatogram")),
        TraceKind::SelectedReactionMonitoring => {
            Some(("MS:1001473", "selected reaction monitoring chromatogram"))
        }
        TraceKind::SelectedIonMonitoring => Some(("MS:1001472", "selected ion monitoring chromatogram")),
        TraceKind::SelectedIonCurrent => Some(("MS:1000627", "selected ion current chromatogram")),
        TraceKind::Absorption => Some(("MS:1000812", "absorption chromatogram")),
        TraceKind::Emission => Some(("MS:1000813", "emission chromatogram")),
        TraceKind::Other => None,
    }
}

fn window(text: &mut String, id: &str, window: &IsolationWindow) -> Result<(), WriteError> {
    text.push_str("            <isolationWindow>\n");
    let target = finite(id, "isolation window target m/z", window.target_mz)?;
    indented(
        text,
        14,
        "MS:1000827",
        "isolation window target m/z",
        &target,
        Some(MZ),
    )?;
    let offsets = [
        (
            "MS:1000828",
            "isolation window lower offset",
            window.lower_offset_mz,
        ),
        (
            "MS:1000829",
            "isolation window upper offset",
            window.upper_offset_mz,
        ),
    ];
    for (accession, name, offset) in offsets {
        if let Some(offset) = offset {
            indented(text, 14, accession, name, &finite(id, name, offset)?, Some(MZ))?;
        }
    }
    text.push_str("            </isolationWindow>\n");
    Ok(())
}

fn finite(id: &str, what: &'static str, value: f64) -> Result<String, WriteError> {
    if value.is_finite() {
        Ok(value.to_string())
    } else {
        Err(WriteError::NonFinite {
            id: id.to_owned(),
            what,
            value: value.to_string(),
        })
    }
}

pub(crate) fn indented(
    text: &mut String,
    spaces: usize,
    accession: &str,
    name: &str,
    value: &str,
    unit: Option<Unit>,
) -> Result<(), WriteError> {
    text.extend(std::iter::repeat_n(' ', spaces));
    param(text, accession, name, value, unit)
}

fn param(
    text: &mut String,
    accession: &str,
    name: &str,
    value: &str,
    unit: Option<Unit>,
) -> Result<(), WriteError> {
    text.push_str(&format!(
        "<cvParam cvRef=\"MS\" accession=\"{accession}\" name=\"{name}\" value=\""
    ));
    escape(value, text)?;
    text.push('"');
    if let Some((vocabulary, accession, name)) = unit {
        text.push_str(&format!(
            " unitCvRef=\"{vocabulary}\" unitAccession=\"{accession}\" unitName=\"{name}\""
        ));
    }
    text.push_str("/>\n");
    Ok(())
}

/// Text as an attribute value.
fn escape(value: &str, text: &mut String) -> Result<(), WriteError> {
    for character in value.chars() {
        match character {
            '&' => text.push_str("&amp;"),
            '<' => text.push_str("&lt;"),
            '>' => text.push_str("&gt;"),
            '"' => text.push_str("&quot;"),
            // Attribute values are normalised when read: white space survives only as a reference.
            '\t' | '\n' | '\r' => text.push_str(&format!("&#{};", character as u32)),
            '\0'..='\u{1f}' | '\u{fffe}' | '\u{ffff}' => {
                return Err(WriteError::Text {
                    text: value.to_owned(),
                });
            }
            _ => text.push(character),
        }
    }
    Ok(())
}

/// An `xs:ID`: what cannot stand in one is written `_xHHHH_`.
fn xml_id(name: &str) -> String {
    let mut id = String::with_capacity(name.len());
    for character in name.chars() {
        let fits = if id.is_empty() {
            character.is_ascii_alphabetic() || character == '_'
        } else {
            character.is_ascii_alphanumeric() || matches!(character, '_' | '-' | '.')
        };
        if fits {
            id.push(character);
        } else {
            id.push_str(&format!("_x{:04X}_", character as u32));
        }
    }
    if id.is_empty() { "_".to_owned() } else { id }
}
