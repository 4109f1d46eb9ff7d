/* workers/wide.h: loops over many values, once for any processor and once for those with vectors of 256 bits.
 *
 * A function marked so is compiled twice, and the loader takes the one that fits. The operations and their order are the
 * same in both (no multiplication is fused with an addition), so the results are as well. Not where a sanitizer looks on:
 * it has to see each function once; and not with clang, whose choosers of static functions of one name collide. */
#ifndef SP_WORKERS_WIDE_H
#define SP_WORKERS_WIDE_H

#if defined(__x86_64__) && defined(__gnu_linux__) && defined(__OPTIMIZE__) && !defined(__clang__) && \
    !defined(__SANITIZE_ADDRESS__)
#define SP_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define SP_WIDE
#endif

#endif
