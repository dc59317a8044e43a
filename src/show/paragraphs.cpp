#include "show/paragraphs.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace pipebeat::show {

namespace {

constexpr int margin = 2;
constexpr int narrowest = 20;  // below, every word would have a line of its own
constexpr int roomy_columns = 60;

}  // namespace

std::size_t width(std::string_view text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
  }));
}

std::vector<std::string> folded(std::string_view text, std::size_t first, std::size_t others) {
  std::vector<std::string> rows(1);
  bool row_begins = true;
  std::size_t room = first;
  while (!text.empty()) {
    std::size_t end = std::min(text.find(' '), text.size());
    if (text.substr(end).starts_with(" %"))
      end = std::min(text.find(' ', end + 1), text.size());  // 25 % is one word
    const std::string_view word = text.substr(0, end);
    text.remove_prefix(std::min(word.size() + 1, text.size()));
    if (!row_begins && width(rows.back()) + 1 + width(word) > room) {
      rows.emplace_back();
      row_begins = true;
      room = others;
    }
    if (!row_begins) rows.back() += ' ';
    rows.back() += word;
    row_begins = false;
  }
  return rows;
}

std::string wrapped(std::string_view first, std::string_view text, int columns) {
  const auto whole = static_cast<std::size_t>(std::max(columns, narrowest) - margin);
  // A label that takes half of a narrow line must not take it from the lines that follow, too.
  constexpr std::size_t small_indent = 6;
  const std::size_t label = width(first);
  const std::size_t indent = label <= (whole + margin) * 2 / 5 ? label : small_indent;
  const std::vector<std::string> rows =
      folded(text, whole - std::min(label, whole), whole - indent);
  std::string out = fmt::format("{}{}\n", first, rows.front());
  for (std::size_t i = 1; i < rows.size(); ++i)
    out += fmt::format("{:{}}{}\n", "", indent, rows[i]);
  return out;
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

std::string row_label(int number, int columns) {
  return columns < roomy_columns ? fmt::format("  {:>2}  ", number)
                                 : fmt::format("  {:>8}    ", number);
}

int room_in_row(int columns, int beside) {
  return columns - margin - beside - static_cast<int>(row_label(1, columns).size());
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

}  // namespace pipebeat::show
