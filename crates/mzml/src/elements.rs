//! The closed set of mzML 1.1 elements and where each may stand.
//!
//! The schema (mzML 1.1.0, HUPO-PSI) knows no foreign elements, so an unknown one is damage, not an extension:
//! information for people goes into `userParam`.

macro_rules! elements {
    ($($variant:ident $name:literal in [$($parent:ident),*];)*) => {
        /// An mzML element, or the document itself.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub(crate) enum Element {
            /// Outside the root.
            Document,
            /// `cvParam`
            CvParam,
            /// `userParam`
            UserParam,
            /// `referenceableParamGroupRef`
            ReferenceableParamGroupRef,
            $(#[doc = $name] $variant,)*
        }

        impl Element {
            pub(crate) fn from_name(name: &[u8]) -> Option<Self> {
                // The three that make up most of a file come first.
                if name == b"cvParam" {
                    return Some(Self::CvParam);
                }
                if name == b"binaryDataArray" {
                    return Some(Self::BinaryDataArray);
                }
                if name == b"binary" {
                    return Some(Self::Binary);
                }
                if name == b"userParam" {
                    return Some(Self::UserParam);
                }
                if name == b"referenceableParamGroupRef" {
                    return Some(Self::ReferenceableParamGroupRef);
                }
                $(if name == $name.as_bytes() { return Some(Self::$variant); })*
                None
            }

            pub(crate) const fn name(self) -> &'static str {
                match self {
                    Self::Document => "document",
                    Self::CvParam => "cvParam",
                    Self::UserParam => "userParam",
                    Self::ReferenceableParamGroupRef => "referenceableParamGroupRef",
                    $(Self::$variant => $name,)*
                }
            }

            /// Whether the schema lets this element stand in `parent`.
            pub(crate) const fn may_stand_in(self, parent: Self) -> bool {
                match self {
                    Self::Document => false,
                    // Parameters stand nearly everywhere; where not, text or a closed list is expected.
                    Self::CvParam | Self::UserParam | Self::ReferenceableParamGroupRef => parent.takes_params(),
                    $(Self::$variant => matches!(parent, $(Self::$parent)|*),)*
                }
            }
        }
    };
}

elements! {
    Binary "binary" in [BinaryDataArray];
    BinaryDataArray "binaryDataArray" in [BinaryDataArrayList];
    BinaryDataArrayList "binaryDataArrayList" in [Chromatogram, Spectrum];
    IsolationWindow "isolationWindow" in [Precursor, Product];
    Precursor "precursor" in [Chromatogram, PrecursorList];
    Product "product" in [Chromatogram, ProductList];
    Activation "activation" in [Precursor];
    Chromatogram "chromatogram" in [ChromatogramList];
    Spectrum "spectrum" in [SpectrumList];
    ScanList "scanList" in [Spectrum];
    Scan "scan" in [ScanList];
    ScanWindowList "scanWindowList" in [Scan];
    ScanWindow "scanWindow" in [ScanWindowList];
    PrecursorList "precursorList" in [Spectrum];
    ProductList "productList" in [Spectrum];
    SelectedIonList "selectedIonList" in [Precursor];
    SelectedIon "selectedIon" in [SelectedIonList];
    Offset "offset" in [Index];
    Index "index" in [IndexList];
    IndexList "indexList" in [IndexedMzml];
    IndexListOffset "indexListOffset" in [IndexedMzml];
    FileChecksum "fileChecksum" in [IndexedMzml];
    IndexedMzml "indexedmzML" in [Document];
    Mzml "mzML" in [Document, IndexedMzml];
    CvList "cvList" in [Mzml];
    Cv "cv" in [CvList];
    FileDescription "fileDescription" in [Mzml];
    FileContent "fileContent" in [FileDescription];
    SourceFileList "sourceFileList" in [FileDescription];
    SourceFile "sourceFile" in [SourceFileList];
    Contact "contact" in [FileDescription];
    ReferenceableParamGroupList "referenceableParamGroupList" in [Mzml];
    ReferenceableParamGroup "referenceableParamGroup" in [ReferenceableParamGroupList];
    SampleList "sampleList" in [Mzml];
    Sample "sample" in [SampleList];
    SoftwareList "softwareList" in [Mzml];
    Software "software" in [SoftwareList];
    ScanSettingsList "scanSettingsList" in [Mzml];
    ScanSettings "scanSettings" in [ScanSettingsList];
    SourceFileRefList "sourceFileRefList" in [ScanSettings];
    SourceFileRef "sourceFileRef" in [SourceFileRefList];
    TargetList "targetList" in [ScanSettings];
    Target "target" in [TargetList];
    InstrumentConfigurationList "instrumentConfigurationList" in [Mzml];
    InstrumentConfiguration "instrumentConfiguration" in [InstrumentConfigurationList];
    ComponentList "componentList" in [InstrumentConfiguration];
    Source "source" in [ComponentList];
    Analyzer "analyzer" in [ComponentList];
    Detector "detector" in [ComponentList];
    SoftwareRef "softwareRef" in [InstrumentConfiguration];
    DataProcessingList "dataProcessingList" in [Mzml];
    DataProcessing "dataProcessing" in [DataProcessingList];
    ProcessingMethod "processingMethod" in [DataProcessing];
    Run "run" in [Mzml];
    SpectrumList "spectrumList" in [Run];
    ChromatogramList "chromatogramList" in [Run];
}

impl Element {
    const fn takes_params(self) -> bool {
        !matches!(
            self,
            Self::Document
                | Self::Mzml
                | Self::IndexedMzml
                | Self::Index
                | Self::IndexList
                | Self::IndexListOffset
                | Self::Offset
                | Self::FileChecksum
                | Self::Binary
                | Self::CvParam
                | Self::UserParam
                | Self::ReferenceableParamGroupRef
        )
    }

    /// Whether text other than white space may stand in this element.
    pub(crate) const fn holds_text(self) -> bool {
        matches!(
            self,
            Self::Binary | Self::Offset | Self::IndexListOffset | Self::FileChecksum
        )
    }

    /// Lists whose `count` guards the data; counts of header lists (vocabularies, software, samples) carry no
    /// traces and are often careless, so they are not held against a file.
    pub(crate) const fn count_is_checked(self) -> bool {
        matches!(
            self,
            Self::ChromatogramList
                | Self::SpectrumList
                | Self::BinaryDataArrayList
                | Self::PrecursorList
                | Self::ProductList
                | Self::SelectedIonList
                | Self::ScanList
                | Self::ScanWindowList
                | Self::ReferenceableParamGroupList
        )
    }
}
