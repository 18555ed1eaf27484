//! What a look leaves behind: `look.json`, a drawing a card, and the day's sheet.

use super::json::{CardList, write_cards};
use super::{Looked, Picture};
use crate::PROGRAM_VERSION;
use crate::error::WorkflowError;
use crate::output::folder::PartialFolder;
use crate::run::file_error;
use spotwright_domain::card::LookRecord;
use spotwright_report::{CardPicture, CardSheet, SheetContext, card_drawing};
use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

/// A folder of looked-at cards while it is filled; it appears whole or not at all.
#[derive(Debug)]
pub struct LookOutputs {
    folder: PartialFolder,
    target: PathBuf,
    list: CardList<BufWriter<File>>,
    sheet: CardSheet,
    simulated: bool,
    count: usize,
}

impl LookOutputs {
    /// Begins a folder.
    ///
    /// # Errors
    /// When it exists and holds something else, or the disk refuses.
    pub fn begin(target: &Path) -> Result<Self, WorkflowError> {
        let at = |source| file_error(target, source);
        let folder = PartialFolder::create(target).map_err(at)?;
        std::fs::create_dir(folder.path("cards")).map_err(at)?;
        let list = File::create(folder.path("look.json")).map_err(at)?;
        Ok(Self {
            list: write_cards(BufWriter::new(list)).map_err(at)?,
            folder,
            target: target.to_owned(),
            sheet: CardSheet::new(),
            simulated: false,
            count: 0,
        })
    }

    /// Adds a photograph.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn add(&mut self, looked: &Looked) -> Result<(), WorkflowError> {
        self.count += 1;
        self.simulated |= looked.record.simulated;
        let name = format!("cards/{:04}-{}.svg", self.count, plain_name(&looked.record));
        let picture = looked.picture.as_ref().map(Picture::for_drawing);
        let drawing = card_drawing(&looked.record, picture);
        let at = |source| file_error(&self.target, source);
        std::fs::write(self.folder.path(&name), drawing).map_err(at)?;
        self.list.add(&looked.record).map_err(at)?;
        let shape = looked.picture.as_ref().map(|of| of.size_mm[0] / of.size_mm[1]);
        self.sheet.add(&looked.record, &name, shape);
        Ok(())
    }

    /// Writes the sheet and gives the folder its name.
    ///
    /// # Errors
    /// When the disk refuses; then nothing is left behind and former results stay.
    pub fn finish(self, day: &str) -> Result<(), WorkflowError> {
        let at = |source| file_error(&self.target, source);
        self.list.finish().map_err(at)?;
        let sheet = File::create(self.folder.path("index.html")).map_err(at)?;
        let context = SheetContext {
            day,
            program_version: PROGRAM_VERSION,
            simulated: self.simulated,
        };
        self.sheet.write(BufWriter::new(sheet), &context).map_err(at)?;
        self.folder.finish().map_err(at)
    }
}

impl Picture {
    /// As the drawing takes it: the whole card.
    fn for_drawing(&self) -> CardPicture<'_> {
        CardPicture {
            bytes: &self.jpeg,
            media_type: "image/jpeg",
            left_top_mm: [0.0, 0.0],
            size_mm: self.size_mm,
        }
    }
}

/// The file's name without folders and ending, letters and digits only.
fn plain_name(of: &LookRecord) -> String {
    let name = Path::new(&of.file)
        .file_stem()
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    name.chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' || c == '.' {
                c
            } else {
                '_'
            }
        })
        .take(60)
        .collect()
}
