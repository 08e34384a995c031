//! A page as HTML, one file with all in it: no script, nothing from elsewhere, and it says so to
//! the browser. Colours are the reader's own, light or dark; pictures stand on white.

use super::super::words::printable;
use super::page::{Block, Page, Picture, Table};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// What a browser is to run and to load for the page: nothing.
const NOTHING_ELSE: &str = "script-src 'none'; img-src 'none'; font-src 'none'; connect-src 'none'; \
    media-src 'none'; object-src 'none'; frame-src 'none'; form-action 'none'";

const STYLE: &str = "
:root { color-scheme: light dark; }
body {
  margin: 0 auto; padding: 1.5rem 1rem 3rem; max-width: 62rem;
  font: 1rem/1.5 system-ui, sans-serif; overflow-wrap: anywhere;
}
h1 { font-size: 1.9rem; line-height: 1.2; margin: 0 0 .6rem; }
h2 {
  font-size: 1.25rem; line-height: 1.3; margin: 2.2rem 0 .7rem; padding-bottom: .2rem;
  border-bottom: 1px solid GrayText;
}
p, ul { margin: .6rem 0; max-width: 46rem; }
dl { margin: .6rem 0; }
dl > div { display: grid; grid-template-columns: 10rem 1fr; gap: 0 1rem; padding: .12rem 0; }
dt { font-weight: 600; }
dd { margin: 0; }
.wide { overflow-x: auto; margin: .9rem 0; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; overflow-wrap: break-word; }
caption { text-align: left; font-weight: 600; padding-bottom: .3rem; }
th, td {
  text-align: left; vertical-align: top; padding: .28rem 1.1rem .28rem 0;
  border-bottom: 1px solid GrayText;
}
thead th { border-bottom: 2px solid; }
tbody th { font-weight: 600; }
figure { margin: 1rem 0; }
figure svg { display: block; width: 100%; height: auto; min-width: 44rem; background: #fff; }
figcaption { font-size: .9em; max-width: 46rem; margin-top: .4rem; }
@media (max-width: 26rem) { dl > div { grid-template-columns: 1fr; padding: .3rem 0; } }
@page { margin: 16mm; }
@media print {
  :root { color-scheme: light; }
  body { max-width: none; padding: 0; font-size: 9.5pt; }
  p, ul, figcaption { max-width: none; }
  figure svg { min-width: 0; }
  .wide { overflow: visible; }
  h2, caption, thead { break-after: avoid; }
  figure, tr, dl > div { break-inside: avoid; }
}
";

/// The page.
pub fn html(page: &Page) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(NOTHING_ELSE);
                title { (printable(&page.title)) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    h1 { (printable(&page.title)) }
                    @for block in &page.blocks { (self::block(block)) }
                }
            }
        }
    };
    page.into_string() + "\n"
}

fn block(block: &Block) -> Markup {
    match block {
        Block::Heading(words) => html! { h2 { (printable(words)) } },
        Block::Text(words) => html! { p { (printable(words)) } },
        Block::List(items) => html! {
            ul { @for item in items { li { (printable(item)) } } }
        },
        Block::Facts(facts) => html! {
            dl {
                @for (what, text) in facts {
                    div { dt { (printable(what)) } dd { (printable(text)) } }
                }
            }
        },
        Block::Table(table) => self::table(table),
        Block::Picture(picture) => self::picture(picture),
    }
}

fn table(table: &Table) -> Markup {
    let caption = printable(&table.caption);
    html! {
        // What is wider than the page is moved by hand, with the keyboard too.
        section class="wide" aria-label=(caption) tabindex="0" {
            table {
                caption { (caption) }
                thead { tr { @for head in &table.head { th scope="col" { (head) } } } }
                tbody { @for row in &table.rows { (self::row(row)) } }
            }
        }
    }
}

fn row(cells: &[String]) -> Markup {
    let (first, rest) = (cells.iter().take(1), cells.iter().skip(1));
    html! {
        tr {
            @for cell in first { th scope="row" { (printable(cell)) } }
            @for cell in rest { td { (printable(cell)) } }
        }
    }
}

fn picture(picture: &Picture) -> Markup {
    let caption = printable(&picture.caption);
    html! {
        figure {
            section class="wide" aria-label=(caption) tabindex="0" {
                (PreEscaped(&picture.svg))
            }
            figcaption { (caption) }
        }
    }
}
