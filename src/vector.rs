//! Hot loops compiled twice: for any x86-64, and for AVX2 where the machine has it. The only
//! unsafe code of the house: the call of a function that needs AVX2, after asking the processor.
//! No fused multiply-add in either, so both give the same bits. Like `units`, any room may use
//! this file.

/// A loop worth compiling twice. `work` must be `#[inline(always)]`, and all that it calls, so
/// that it is compiled for the processor that was found.
pub(crate) trait Work {
    type Output;
    fn work(self) -> Self::Output;
}

/// Does the work by the best means that the machine has. A debug build takes the plain way:
/// little is inlined there, and a loop that is not is slower for AVX2, not faster.
#[inline]
pub(crate) fn fast<W: Work>(work: W) -> W::Output {
    if cfg!(debug_assertions) {
        work.work()
    } else {
        by_processor(work)
    }
}

/// [`fast`] in debug builds too: for the tests that hold both ways against each other.
#[inline]
pub(crate) fn by_processor<W: Work>(work: W) -> W::Output {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        #[expect(
            unsafe_code,
            reason = "the processor was asked for AVX2 one line above"
        )]
        return unsafe { with_avx2(work) };
    }
    work.work()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn with_avx2<W: Work>(work: W) -> W::Output {
    work.work()
}
