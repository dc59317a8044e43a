// What the fuzz targets share: an input eaten from its front, and a check that also holds without
// assertions.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <string>
#include <string_view>
#include <utility>

namespace fuzz {

/// Ends the run as a crash, which libFuzzer keeps the input of.
inline void check(bool holds, const char* what) {
  if (holds) return;
  std::fprintf(stderr, "broken promise: %s\n", what);
  std::abort();
}

/// An input, taken piece by piece; zeros and empty texts once it is used up.
class Input {
 public:
  Input(const std::uint8_t* data, std::size_t size)
      : rest_{reinterpret_cast<const char*>(data), size} {}

  std::uint8_t byte() {
    if (rest_.empty()) return 0;
    const auto value = static_cast<std::uint8_t>(rest_.front());
    rest_.remove_prefix(1);
    return value;
  }

  /// Up to the next line's end.
  std::string line() {
    const std::size_t end = rest_.find('\n');
    std::string text{rest_.substr(0, end)};
    rest_.remove_prefix(end == std::string_view::npos ? rest_.size() : end + 1);
    return text;
  }

  std::string_view rest() { return std::exchange(rest_, {}); }

 private:
  std::string_view rest_;
};

}  // namespace fuzz
