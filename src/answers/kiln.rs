//! A kiln load on all cores.

use super::{Taught, each_on_all_cores};
use crate::core::assessment::{Assessment, Wanted};
use crate::core::forecast::HORIZON;
use crate::core::kiln::{Load, Question, Ware};
use crate::core::on_its_rim;
use crate::core::prospect::Ahead;
use crate::core::weather::{Weather, weathers};
use crate::records::{Name, Studio};

/// What is known of a load of some of its pots; `done` is called whenever a pot has been thought
/// of.
pub fn load(
    studio: &Studio,
    taught: &Taught,
    names: &[&Name],
    question: &Question,
    done: &(dyn Fn() + Sync),
) -> Load {
    let weathers = weathers();
    let wares = each_on_all_cores(names, |name| {
        let ware = ware(studio, taught, name, &weathers, question);
        done();
        ware
    });
    Load::new(question, &wares)
}

fn ware(
    studio: &Studio,
    taught: &Taught,
    name: &str,
    weathers: &[Weather],
    question: &Question,
) -> Option<Ware> {
    let pot = studio.pots.get(name)?;
    let ahead = Ahead {
        moments: &[],
        covers: &[],
        until: HORIZON,
        to_dry: true,
        stands: None,
        weathers: None,
    };
    let wanted = Wanted { ahead: Some(&ahead), ..Wanted::default() };
    let assessment = Assessment::new(studio, &taught.lessons, name, &wanted)?;
    let answer = assessment.answer(studio, &taught.corrections)?;
    let on_rim = on_its_rim(studio, name)?;
    Ware::new(pot, (&assessment, &answer), on_rim, weathers, question)
}
