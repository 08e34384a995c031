//! Which places of the program an input reached: the counters that the compiler puts at every edge
//! when it is asked to (see `tests/fuzz/rustc`). Without them there are none, and all is silent.
//!
//! The compiler's side is LLVM's "inline 8-bit counters"
//! (<https://clang.llvm.org/docs/SanitizerCoverage.html>): each compiled unit tells where its
//! counters begin and end before `main` is entered; the program itself counts them up.
//!
//! What the unsafe code relies on:
//! - The counters are part of the program and stay where they are as long as it runs.
//! - They are bytes that somebody else writes: they are read and written one by one, by volatile
//!   access through the pointers that were told, and never lent out.
//! - Only one input is played at a time (`main` sees to that), so no count of another gets lost. A
//!   count that got lost all the same would cost a find, nothing else.

use std::ptr::with_exposed_provenance_mut;
use std::sync::Mutex;

/// Address of the first counter and number of counters, of each compiled unit.
static REGIONS: Mutex<Vec<(usize, usize)>> = Mutex::new(Vec::new());

/// Called by what the compiler put into each unit. The linker may have joined them all into one.
#[unsafe(no_mangle)]
extern "C" fn __sanitizer_cov_8bit_counters_init(start: *mut u8, stop: *mut u8) {
    let (start, stop) = (start.expose_provenance(), stop.expose_provenance());
    let mut regions = REGIONS.lock().unwrap();
    if start < stop && regions.iter().all(|(known, _)| *known != start) {
        regions.push((start, stop - start));
    }
}

/// The counters, one after the other.
pub struct Counters(Vec<*mut u8>);

impl Counters {
    /// All that there are.
    pub fn new() -> Counters {
        let regions = REGIONS.lock().unwrap();
        let all = regions.iter().flat_map(|(start, length)| *start..start + length);
        Counters(all.map(with_exposed_provenance_mut).collect())
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Begins anew.
    pub fn clear(&mut self) {
        for counter in &self.0 {
            // Safe by what is said above.
            unsafe { counter.write_volatile(0) };
        }
    }

    /// Counters that are not zero, with their counts.
    pub fn reached(&self) -> impl Iterator<Item = (usize, u8)> + '_ {
        // Safe by what is said above.
        let counts = self.0.iter().map(|counter| unsafe { counter.read_volatile() });
        counts.enumerate().filter(|(_, count)| *count > 0)
    }
}
