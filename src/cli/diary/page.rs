//! What stands on a page of the diary, whatever it is written as.

use super::super::words::printable;
use maud::html;

/// A page.
#[derive(Clone, PartialEq, Debug)]
pub struct Page {
    /// What it is about.
    pub title: String,
    /// What stands under the title, from top to bottom.
    pub blocks: Vec<Block>,
}

/// A part of a page. All words are plain: whoever writes them down sees to it that they stay so.
#[derive(Clone, PartialEq, Debug)]
pub enum Block {
    /// Begins a part.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// One thing after the other.
    List(Vec<String>),
    /// Things with what is known of them.
    Facts(Vec<(String, String)>),
    /// Rows under a head; the first cell of a row says what it is about.
    Table(Table),
    /// A picture.
    Picture(Picture),
}

/// A table.
#[derive(Clone, PartialEq, Debug)]
pub struct Table {
    /// What it shows.
    pub caption: String,
    /// Heads of its columns.
    pub head: Vec<&'static str>,
    /// Its rows, each as long as the head.
    pub rows: Vec<Vec<String>>,
}

/// A picture.
#[derive(Clone, PartialEq, Debug)]
pub struct Picture {
    /// By what its file is told from those of the page's other pictures.
    pub name: &'static str,
    /// As SVG, with [`alt`](Picture::alt) as its title.
    pub svg: String,
    /// What it shows, for those who do not see it.
    pub alt: String,
    /// How to read it.
    pub caption: String,
}

impl Page {
    /// An empty one.
    pub fn new(title: &str) -> Page {
        Page { title: title.into(), blocks: Vec::new() }
    }

    /// Begins a part.
    pub fn heading(&mut self, words: &str) {
        self.blocks.push(Block::Heading(words.into()));
    }

    /// Adds a paragraph.
    pub fn text(&mut self, words: impl Into<String>) {
        self.blocks.push(Block::Text(words.into()));
    }

    /// Adds a list, if there is anything in it.
    pub fn list(&mut self, items: Vec<String>) {
        if !items.is_empty() {
            self.blocks.push(Block::List(items));
        }
    }

    /// Adds what is known.
    pub fn facts(&mut self, facts: Vec<(impl Into<String>, String)>) {
        let facts = facts.into_iter().map(|(what, text)| (what.into(), text));
        self.blocks.push(Block::Facts(facts.collect()));
    }

    /// Adds a table.
    pub fn table<const N: usize>(
        &mut self,
        caption: impl Into<String>,
        head: [&'static str; N],
        rows: Vec<[String; N]>,
    ) {
        let rows = rows.into_iter().map(Vec::from).collect();
        self.blocks.push(Block::Table(Table { caption: caption.into(), head: head.into(), rows }));
    }

    /// Adds a picture.
    pub fn picture(&mut self, name: &'static str, svg: &str, alt: &str, caption: &str) {
        let title = html! { title { (printable(alt)) } }.into_string();
        let svg = svg.replacen('>', &format!(">{title}"), 1);
        let (alt, caption) = (alt.into(), caption.into());
        self.blocks.push(Block::Picture(Picture { name, svg, alt, caption }));
    }

    /// Its pictures.
    pub fn pictures(&self) -> impl Iterator<Item = &Picture> {
        self.blocks.iter().filter_map(|block| match block {
            Block::Picture(picture) => Some(picture),
            _ => None,
        })
    }
}
