#include "show/paragraphs.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace pipebeat::show {

namespace {

constexpr std::size_t columns = 78;  // a terminal opens with 80

}  // namespace

std::string wrapped(std::string_view first, std::string_view text) {
  std::string out{first};
  std::size_t column = first.size();
  bool line_start = true;
  while (!text.empty()) {
    const std::size_t end = std::min(text.find(' '), text.size());
    const std::string_view word = text.substr(0, end);
    text.remove_prefix(std::min(end + 1, text.size()));
    if (!line_start && column + 1 + word.size() > columns) {
      out += '\n';
      out.append(first.size(), ' ');
      column = first.size();
      line_start = true;
    }
    if (!line_start) {
      out += ' ';
      ++column;
    }
    out += word;
    column += word.size();
    line_start = false;
  }
  return out + '\n';
}

std::string capitalised(std::string text) {
  if (!text.empty() && text[0] >= 'a' && text[0] <= 'z') text[0] = static_cast<char>(text[0] - 32);
  return text;
}

std::string bar(double level, int width) {
  const double filled = std::isfinite(level) ? level * width / 2.0 : 0.0;
  const auto n = static_cast<std::size_t>(std::clamp(std::lround(filled), 0L, long{width}));
  return std::string(n, '#') + std::string(static_cast<std::size_t>(width) - n, '.');
}

std::string percent(double share) {
  const double p = 100.0 * share;
  if (p == 0.0 || std::abs(p) >= 9.95) return fmt::format("{:.0f} %", p);
  return std::abs(p) < 0.05 ? fmt::format("{:.1g} %", p) : fmt::format("{:.1f} %", p);
}

std::string percent(const Interval& share) {
  const auto number = [](double p) {
    return p > 0.0 && p < 0.05 ? fmt::format("{:.1g}", p) : fmt::format("{:.1f}", p);
  };
  return fmt::format("{} to {} %", number(100.0 * share.low), number(100.0 * share.high));
}

std::string probability(double p) {
  if (p >= 0.995) return "over 99 %";
  if (p < 0.005) return "under 1 %";
  return fmt::format("{:.0f} %", 100.0 * p);
}

}  // namespace pipebeat::show
