//! Work that is shared out between threads of its own, one piece a thread at a time.
//!
//! Not a parallel iterator: the frames library works in a thread pool of its own, and a worker of another pool that waits for it
//! takes up the next piece meanwhile, and the next inside that. With thousands of small bundles or units such a worker runs out
//! of stack, and it holds as many half-done pieces in memory. A plain thread waits.

use std::panic::resume_unwind;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Condvar, Mutex, PoisonError};

/// Does `work` for 0 to `n`, without `n`, on as many threads as there are processors asked for; results in that order.
pub(super) fn share_out<T: Send>(n: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let done = run(n, |i| (work(i), true));
    done.into_iter().map(|(_, t)| t).collect()
}

/// The same until one fails; then no more are begun and the error of the first of them is the result.
pub(super) fn share_out_or_stop<T: Send, E: Send>(
    n: usize,
    work: impl Fn(usize) -> Result<T, E> + Sync,
) -> Result<Vec<T>, E> {
    let done = run(n, |i| {
        let result = work(i);
        let ok = result.is_ok();
        (result, ok)
    });
    done.into_iter().map(|(_, t)| t).collect()
}

/// Room in memory for pieces of work of known size.
pub(super) struct Room {
    bytes: u64,
    taken: Mutex<u64>,
    given_back: Condvar,
}

/// A part of a [`Room`], given back when dropped.
pub(super) struct Taken<'a> {
    room: &'a Room,
    bytes: u64,
}

impl Room {
    pub(super) fn new(bytes: u64) -> Room {
        Room { bytes, taken: Mutex::new(0), given_back: Condvar::new() }
    }

    /// Waits until so many bytes are free; who needs more than the whole room gets it when it is empty.
    pub(super) fn take(&self, bytes: u64) -> Taken<'_> {
        let bytes = bytes.min(self.bytes);
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        while *taken + bytes > self.bytes {
            taken = self.given_back.wait(taken).unwrap_or_else(PoisonError::into_inner);
        }
        *taken += bytes;
        Taken { room: self, bytes }
    }
}

impl Drop for Taken<'_> {
    fn drop(&mut self) {
        *self.room.taken.lock().unwrap_or_else(PoisonError::into_inner) -= self.bytes;
        self.room.given_back.notify_all();
    }
}

/// `work` gives its result and whether to go on.
fn run<T: Send>(n: usize, work: impl Fn(usize) -> (T, bool) + Sync) -> Vec<(usize, T)> {
    let threads = rayon::current_num_threads().min(n);
    let (next, stop) = (AtomicUsize::new(0), AtomicBool::new(false));
    let done: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::with_capacity(n));
    let worker = || {
        while !stop.load(Ordering::Relaxed) {
            let i = next.fetch_add(1, Ordering::Relaxed);
            if i >= n {
                break;
            }
            let (result, go_on) = work(i);
            if !go_on {
                stop.store(true, Ordering::Relaxed);
            }
            done.lock().unwrap_or_else(|e| e.into_inner()).push((i, result));
        }
    };
    std::thread::scope(|scope| {
        let started: Vec<_> =
            (0..threads).map_while(|_| std::thread::Builder::new().spawn_scoped(scope, worker).ok()).collect();
        // Where the system gives no thread there is still this one.
        if started.is_empty() {
            worker();
        }
        for thread in started {
            if let Err(panic) = thread.join() {
                stop.store(true, Ordering::Relaxed);
                resume_unwind(panic);
            }
        }
    });
    let mut done = done.into_inner().unwrap_or_else(|e| e.into_inner());
    done.sort_by_key(|(i, _)| *i);
    done
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_order_and_an_error_ends_the_work() {
        let squares = share_out(1000, |i| {
            if i % 100 == 0 {
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
            i * i
        });
        assert_eq!(squares, (0..1000).map(|i| i * i).collect::<Vec<_>>());
        let begun = AtomicUsize::new(0);
        let failed = share_out_or_stop(1_000_000, |i| {
            begun.fetch_add(1, Ordering::Relaxed);
            if i == 5 { Err(i) } else { Ok(i) }
        });
        assert_eq!(failed, Err(5));
        assert!(begun.load(Ordering::Relaxed) < 1_000_000);
        assert_eq!(share_out_or_stop(0, Err::<(), usize>), Ok(vec![]));
    }

    #[test]
    fn a_room_is_never_overfull_and_large_pieces_pass_too() {
        let room = Room::new(10);
        let (inside, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let sizes = [3_u64, 4, 20, 1, 5, 10, 2, 6];
        share_out(400, |i| {
            let bytes = sizes[i % sizes.len()];
            let _taken = room.take(bytes);
            let of_room = bytes.min(10) as usize;
            most.fetch_max(inside.fetch_add(of_room, Ordering::SeqCst) + of_room, Ordering::SeqCst);
            std::thread::sleep(std::time::Duration::from_micros(50));
            inside.fetch_sub(of_room, Ordering::SeqCst);
        });
        assert_eq!((inside.into_inner(), most.into_inner()), (0, 10));
    }

    /// A worker that waits for another pool must not begin the next piece inside the one it is at.
    #[test]
    fn waiting_for_another_pool_nests_nothing() {
        let other = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        thread_local!(static DEPTH: std::cell::Cell<usize> = const { std::cell::Cell::new(0) });
        let deepest = share_out(200, |_| {
            DEPTH.with(|d| d.set(d.get() + 1));
            let depth = DEPTH.with(std::cell::Cell::get);
            other.install(|| std::thread::sleep(std::time::Duration::from_micros(200)));
            DEPTH.with(|d| d.set(d.get() - 1));
            depth
        });
        assert_eq!(deepest.iter().max(), Some(&1));
    }
}
