//! What potters wedge into clay besides clay, by the words of the trade, and what it can do to
//! people.
//!
//! Which substances are harmful to breathe, swallow or fire is common knowledge of the trade and
//! of its safety data sheets (from memory; exposure limits are set by each country). A name is
//! looked through word by word; one that says nothing is not thereby harmless.

/// What an addition can do.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Hazard {
    /// A metal that harms where it is swallowed, breathed or leached out of fired ware.
    Metal,
    /// Colours whatever it touches.
    Colour,
    /// A ground glass of unknown make.
    Frit,
    /// Fine silica or a mineral with it: dust that harms the lungs for good.
    Silica,
    /// Burns out in the kiln.
    BurnsOut,
    /// Not to be used at all.
    Never,
}

impl Hazard {
    /// The caution, in a sentence.
    pub fn caution(self) -> &'static str {
        match self {
            Hazard::Metal => {
                "harmful metal: no dust and no bare hands; its fume leaves the kiln while it \
                 fires, so vent it outdoors; have finished ware leach-tested before any use with \
                 food or drink"
            }
            Hazard::Colour => {
                "colours every clay that its scrap gets into; pigments may hold harmful metals: \
                 see the safety data sheet, vent the kiln outdoors, and have ware leach-tested \
                 before any use with food or drink"
            }
            Hazard::Frit => {
                "a frit may hold lead, barium, lithium or cadmium: see its safety data sheet, \
                 vent the kiln outdoors, and have ware leach-tested before any use with food or \
                 drink"
            }
            Hazard::Silica => {
                "silica dust harms the lungs for good: wet it before it is handled, wear a fitted \
                 mask where it dusts, wipe and never sweep"
            }
            Hazard::BurnsOut => {
                "burns out in the kiln with smoke and carbon monoxide: vent the kiln outdoors"
            }
            Hazard::Never => "do not use it: fibres that it may hold cause cancer",
        }
    }

    /// Whether scrap with it must be kept apart from other clay.
    pub fn keeps_scrap_apart(self) -> bool {
        !matches!(self, Hazard::Silica)
    }
}

/// How a word is known.
enum Word {
    /// It begins with this.
    Begins(&'static str),
    /// It is this (formulas and short words).
    Is(&'static str),
}
use Word::{Begins, Is};

const METAL: &[Word] = &[
    Begins("copper"),
    Begins("mangan"),
    Begins("pyrolusite"),
    // Its brown is manganese.
    Begins("umber"),
    Begins("brass"),
    Begins("bronze"),
    Begins("stainless"),
    Begins("chrom"),
    Begins("dichrom"),
    Begins("bichrom"),
    Begins("permangan"),
    Begins("cobalt"),
    Begins("nickel"),
    Is("lead"),
    Is("leaded"),
    Is("litharge"),
    Is("galena"),
    Is("minium"),
    Begins("barium"),
    Begins("witherite"),
    Begins("lithium"),
    Begins("spodumene"),
    Begins("petalite"),
    Begins("lepidolite"),
    Begins("cadmium"),
    Begins("vanad"),
    Begins("antimon"),
    Begins("arsen"),
    Begins("selen"),
    Begins("urani"),
    Is("cuo"),
    Is("cu2o"),
    Is("cuco3"),
    Is("mno2"),
    Is("mno"),
    Is("mnco3"),
    Is("cr2o3"),
    Is("coo"),
    Is("co3o4"),
    Is("coco3"),
    Is("nio"),
    Is("pbo"),
    Is("pb3o4"),
    Is("baco3"),
    Is("li2co3"),
    Is("v2o5"),
    Is("sb2o3"),
];
const COLOUR: &[Word] = &[
    Begins("stain"),
    Begins("pigment"),
    Begins("colour"),
    Begins("color"),
    Begins("oxide"),
    Begins("carbonate"),
    Begins("iron"),
    Begins("ochre"),
    Begins("sienna"),
    Begins("rutile"),
    Begins("ilmenite"),
    Begins("titanium"),
    Begins("zirc"),
    Begins("underglaze"),
    Begins("magnetite"),
    Begins("haematite"),
    Begins("hematite"),
    Is("fe2o3"),
    Is("tio2"),
    Is("zinc"),
    Is("zno"),
];
const FRIT: &[Word] = &[Begins("frit"), Begins("glass"), Begins("cullet"), Begins("glaze")];
const SILICA: &[Word] = &[
    Begins("grog"),
    Begins("chamotte"),
    Begins("molochite"),
    Begins("sand"),
    Begins("silica"),
    Begins("quartz"),
    Begins("flint"),
    Begins("feldspar"),
    Begins("felspar"),
    Begins("nepheline"),
    Begins("granite"),
    Begins("pumice"),
    Begins("basalt"),
    Begins("kyanite"),
    Begins("mullite"),
    Begins("wollastonite"),
    Begins("talc"),
    Begins("perlite"),
    Begins("vermiculite"),
    Begins("ash"),
    Begins("gravel"),
    Begins("stone"),
    Begins("brick"),
];
const BURNS_OUT: &[Word] = &[
    Begins("paper"),
    Begins("cellulose"),
    Begins("fibre"),
    Begins("fiber"),
    Begins("nylon"),
    Begins("sawdust"),
    Begins("straw"),
    Begins("hay"),
    Begins("husk"),
    Begins("chaff"),
    Begins("coffee"),
    Begins("flax"),
    Begins("hemp"),
    Begins("charcoal"),
    Begins("hair"),
    Begins("dung"),
];
const NEVER: &[Word] = &[Begins("asbest"), Begins("tremolite"), Begins("chrysotile")];

const TABLE: &[(Hazard, &[Word])] = &[
    (Hazard::Metal, METAL),
    (Hazard::Colour, COLOUR),
    (Hazard::Frit, FRIT),
    (Hazard::Silica, SILICA),
    (Hazard::BurnsOut, BURNS_OUT),
    (Hazard::Never, NEVER),
];

/// What an addition of that name can do, each once, in the order of [`Hazard`]; empty where no
/// word of it is known.
pub fn hazards(name: &str) -> Vec<Hazard> {
    let lower = name.to_lowercase();
    let words: Vec<&str> =
        lower.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
    let known = |list: &[Word]| {
        words.iter().enumerate().any(|(i, word)| {
            // "lead-free": said of the other metals nobody thinks of.
            let denied = words.get(i + 1) == Some(&"free");
            let fits = |known: &Word| match known {
                Begins(text) => word.starts_with(text),
                Is(text) => word == text,
            };
            !denied && list.iter().any(fits)
        })
    };
    let found = TABLE.iter().filter(|(_, list)| known(list)).map(|(hazard, _)| *hazard);
    let mut found: Vec<Hazard> = found.collect();
    // Of a metal nobody needs to be told that it colours as well.
    if found.contains(&Hazard::Metal) {
        found.retain(|hazard| *hazard != Hazard::Colour);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_the_trade_are_known_however_they_are_written() {
        for metal in [
            "copper carbonate",
            "Manganese dioxide",
            "MnO2",
            "chrome oxide",
            "black cobalt",
            "nickel",
            "white lead",
            "barium carbonate",
            "spodumene 5%",
            "cadmium-red stain",
            "vanadium pentoxide",
            "burnt umber",
            "brass filings",
            "potassium dichromate",
            "bichromate of potash",
            "potassium permanganate",
        ] {
            assert_eq!(hazards(metal)[0], Hazard::Metal, "{metal}");
        }
        assert_eq!(hazards("red iron oxide"), [Hazard::Colour]);
        assert_eq!(hazards("mazarine body stain"), [Hazard::Colour]);
        assert_eq!(hazards("lead-free frit"), [Hazard::Frit]);
        assert_eq!(hazards("leaded frit"), [Hazard::Metal, Hazard::Frit]);
        assert_eq!(hazards("grog, 0.5 mm"), [Hazard::Silica]);
        assert_eq!(hazards("beach sand"), [Hazard::Silica]);
        assert_eq!(hazards("paper pulp"), [Hazard::BurnsOut]);
        assert_eq!(hazards("asbestos"), [Hazard::Never]);
        assert_eq!(hazards("mystery powder"), []);
        assert_eq!(hazards(""), []);
    }

    #[test]
    fn scrap_is_kept_apart_for_all_but_grog_and_sand() {
        assert!(!Hazard::Silica.keeps_scrap_apart());
        for hazard in [Hazard::Metal, Hazard::Colour, Hazard::Frit, Hazard::BurnsOut] {
            assert!(hazard.keeps_scrap_apart());
            assert!(!hazard.caution().is_empty());
        }
        for hazard in [Hazard::Metal, Hazard::Colour, Hazard::Frit] {
            let caution = hazard.caution();
            assert!(caution.contains("leach-tested") && caution.contains("vent"), "{caution}");
        }
        assert!(Hazard::Silica.caution().contains("lungs"));
    }
}
