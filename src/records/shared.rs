//! What many a copy of a studio has in common: the air of years is in memory once.

use std::collections::BTreeMap;
use std::ops::{Deref, DerefMut};
use std::sync::Arc;

/// A value that its clones have in common until one of them is changed.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Shared<T>(Arc<T>);

impl<T> From<T> for Shared<T> {
    fn from(value: T) -> Shared<T> {
        Shared(Arc::new(value))
    }
}

impl<K: Ord, V, const N: usize> From<[(K, V); N]> for Shared<BTreeMap<K, V>> {
    fn from(rows: [(K, V); N]) -> Shared<BTreeMap<K, V>> {
        Shared::from(BTreeMap::from(rows))
    }
}

impl<A, T: FromIterator<A>> FromIterator<A> for Shared<T> {
    fn from_iter<I: IntoIterator<Item = A>>(items: I) -> Shared<T> {
        Shared::from(T::from_iter(items))
    }
}

impl<T> Deref for Shared<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

impl<T: Clone> DerefMut for Shared<T> {
    fn deref_mut(&mut self) -> &mut T {
        Arc::make_mut(&mut self.0)
    }
}
