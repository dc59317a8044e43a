// Sums in eight lanes: the compiler may not reorder float sums by itself.
#pragma once

#include <array>
#include <cstddef>

/// A function whose loops are compiled a second time for processors with vectors of eight floats; which
/// one runs is found out at the start. No fused multiply-add, so both give the same bits. What it calls
/// must be inlined to gain from it. Sanitizers stand in the way of finding out.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && !defined(__SANITIZE_ADDRESS__) && \
    !defined(__SANITIZE_THREAD__)
#define PIPEBEAT_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define PIPEBEAT_WIDE
#endif

namespace pipebeat::core {

/// Sum of term(i) for i < count.
template <class Term>
[[gnu::always_inline]] inline float sum_of(std::size_t count, Term term) {
  std::array<float, 8> sum{};
  const std::size_t whole = count - count % sum.size();
  for (std::size_t i = 0; i < whole; i += sum.size()) {
    for (std::size_t l = 0; l < sum.size(); ++l) sum[l] += term(i + l);
  }
  for (std::size_t i = whole; i < count; ++i) sum[i % sum.size()] += term(i);
  return ((sum[0] + sum[4]) + (sum[1] + sum[5])) + ((sum[2] + sum[6]) + (sum[3] + sum[7]));
}

/// Sum of a[i] * b[i] for i < count.
[[gnu::always_inline]] inline float dot(const float* a, const float* b, std::size_t count) {
  return sum_of(count, [=](std::size_t i) { return a[i] * b[i]; });
}

}  // namespace pipebeat::core
