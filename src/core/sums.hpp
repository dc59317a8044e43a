// Sums in eight lanes: the compiler may not reorder float sums by itself.
#pragma once

#include <array>
#include <cstddef>

namespace pipebeat::core {

/// Sum of term(i) for i < count.
template <class Term>
float sum_of(std::size_t count, Term term) {
  std::array<float, 8> sum{};
  const std::size_t whole = count - count % sum.size();
  for (std::size_t i = 0; i < whole; i += sum.size()) {
    for (std::size_t l = 0; l < sum.size(); ++l) sum[l] += term(i + l);
  }
  for (std::size_t i = whole; i < count; ++i) sum[i % sum.size()] += term(i);
  return ((sum[0] + sum[4]) + (sum[1] + sum[5])) + ((sum[2] + sum[6]) + (sum[3] + sum[7]));
}

/// Sum of a[i] * b[i] for i < count.
inline float dot(const float* a, const float* b, std::size_t count) {
  return sum_of(count, [=](std::size_t i) { return a[i] * b[i]; });
}

}  // namespace pipebeat::core
