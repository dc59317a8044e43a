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

/// Eight floats that take one step together, and the same wherever they lie in a row.
using Eight = float __attribute__((vector_size(32)));
using EightAnywhere __attribute__((aligned(alignof(float)), may_alias)) = Eight;

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

/// Four dot products at a time of the same `count` values of a, a multiple of 8, with b, b + step, b + 2 step and
/// b + 3 step: to out[0..3], the same bits as `dot` gives. What costs is adding up the lanes: here four at once.
[[gnu::always_inline]] inline void four_dots(const float* a, const float* b, std::size_t step, std::size_t count, float* out) {
  using Four = float __attribute__((vector_size(16)));
  using FourAnywhere __attribute__((aligned(alignof(float)), may_alias)) = Four;
  std::array<Eight, 4> sum{};
  for (std::size_t i = 0; i < count; i += 8) {
    const Eight x = *reinterpret_cast<const EightAnywhere*>(a + i);
    for (std::size_t d = 0; d < 4; ++d) sum[d] += x * *reinterpret_cast<const EightAnywhere*>(b + d * step + i);
  }
  std::array<Four, 4> half;  // sums 0 + 4, 1 + 5, 2 + 6, 3 + 7 of each
  for (std::size_t d = 0; d < 4; ++d) {
    half[d] = __builtin_shufflevector(sum[d], sum[d], 0, 1, 2, 3) + __builtin_shufflevector(sum[d], sum[d], 4, 5, 6, 7);
  }
  const Four first = __builtin_shufflevector(half[0], half[1], 0, 2, 4, 6) + __builtin_shufflevector(half[0], half[1], 1, 3, 5, 7);
  const Four last = __builtin_shufflevector(half[2], half[3], 0, 2, 4, 6) + __builtin_shufflevector(half[2], half[3], 1, 3, 5, 7);
  *reinterpret_cast<FourAnywhere*>(out) = __builtin_shufflevector(first, last, 0, 2, 4, 6) + __builtin_shufflevector(first, last, 1, 3, 5, 7);
}

}  // namespace pipebeat::core
