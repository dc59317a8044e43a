#include "show/svg.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <iterator>

namespace pipebeat::show {

namespace {

// Blue and orange differ in lightness too, so they stay apart for colour-blind eyes and in grey
// print (palette after M. Okabe and K. Ito, "Color Universal Design", 2008, darkened or lightened
// for a text contrast of at least 4.5 to 1 on the background).
constexpr std::string_view shared_rules =
    ".pb{font-family:system-ui,sans-serif;font-size:12px}.pb .t{font-size:14px;font-weight:600}"
    ".pb .b{font-weight:600}.pb .line,.pb .warn,.pb .axis,.pb .grid{fill:none;stroke-width:1.5}"
    ".pb .axis,.pb .grid{stroke-width:1}.pb .grid{stroke-dasharray:2 3}"
    ".pb .dashed{stroke-dasharray:4 3}.pb .whisker{stroke-width:2.5}";

struct Palette {
  std::string_view background, ink, soft, axis, grid, line, warn, off, mark;
  std::array<int, 3> empty, full;  ///< shades of level 0 and of a full pulse
};

constexpr Palette light{"#ffffff", "#1b1f24",          "#4d5761",         "#5b6570",
                        "#c3cad2", "#005a8f",          "#b04400",         "#e1e5ea",
                        "#ff9a3c", {0x0b, 0x1e, 0x36}, {0xe2, 0xed, 0xf8}};
constexpr Palette dark{"#14181d", "#eceff2",          "#b4bec8",         "#8d99a5",
                       "#3a444e", "#7cc4f5",          "#ff9d5c",         "#2b333c",
                       "#ff9a3c", {0x00, 0x00, 0x00}, {0xa6, 0xc8, 0xea}};
constexpr int shades = 10;

std::string rules(const Palette& p) {
  std::string css = fmt::format(
      ".pb .bg{{fill:{}}}.pb .ink{{fill:{}}}.pb .soft{{fill:{}}}.pb .axis{{stroke:{}}}"
      ".pb .grid{{stroke:{}}}.pb .line{{stroke:{}}}.pb .fill{{fill:{}}}.pb .warn{{stroke:{}}}"
      ".pb .warnfill{{fill:{}}}.pb .off{{fill:{}}}.pb .mark{{fill:{}}}.pb .whisker{{stroke:{}}}",
      p.background, p.ink, p.soft, p.axis, p.grid, p.line, p.line, p.warn, p.warn, p.off, p.mark,
      p.ink);
  for (int s = 0; s < shades; ++s) {
    const auto mix = [&](std::size_t c) {
      return p.empty[c] + (p.full[c] - p.empty[c]) * s / (shades - 1);
    };
    fmt::format_to(std::back_inserter(css), ".pb .s{}{{fill:#{:02x}{:02x}{:02x}}}", s, mix(0),
                   mix(1), mix(2));
  }
  return css;
}

std::string style_sheet(Theme theme) {
  std::string css{shared_rules};
  css += rules(theme == Theme::dark ? dark : light);
  if (theme == Theme::automatic) {
    css += "@media screen and (prefers-color-scheme:dark){" + rules(dark) + "}";
  }
  return css;
}

/// Length of the UTF-8 character at the start of `text`, 0 when there is none (RFC 3629: no
/// overlong forms, no surrogates, nothing past U+10FFFF).
std::size_t utf8_length(std::string_view text) {
  const auto byte = [&](std::size_t i) {
    return i < text.size() ? static_cast<unsigned char>(text[i]) : 0u;
  };
  const auto follows = [&](std::size_t i) { return (byte(i) & 0xC0u) == 0x80u; };
  const unsigned first = byte(0);
  if (first < 0x80) return 1;
  if (first >= 0xC2 && first <= 0xDF && follows(1)) return 2;
  if (first >= 0xE0 && first <= 0xEF && follows(1) && follows(2)) {
    const unsigned value = ((first & 0x0Fu) << 6) | (byte(1) & 0x3Fu);  // of the upper two
    const bool surrogate = value >= 0x360 && value <= 0x37F;
    const bool not_a_character = value == 0x3FF && byte(2) >= 0xBE;  // U+FFFE, U+FFFF: not in XML
    return value >= 0x20 && !surrogate && !not_a_character ? 3 : 0;
  }
  if (first >= 0xF0 && first <= 0xF4 && follows(1) && follows(2) && follows(3)) {
    const unsigned value = ((first & 0x07u) << 6) | (byte(1) & 0x3Fu);
    return value >= 0x10 && value <= 0x10F ? 4 : 0;
  }
  return 0;
}

}  // namespace

std::string escaped(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  while (!text.empty()) {
    const std::size_t length = utf8_length(text);
    const char c = text.front();
    const bool control = static_cast<unsigned char>(c) < 0x20 || c == 0x7F;
    if (length == 0 || control) {
      out += "\xEF\xBF\xBD";
    } else if (c == '&') {
      out += "&amp;";
    } else if (c == '<') {
      out += "&lt;";
    } else if (c == '>') {
      out += "&gt;";
    } else if (c == '"') {
      out += "&quot;";
    } else if (c == '\'') {
      out += "&#39;";
    } else {
      out += text.substr(0, length);
    }
    text.remove_prefix(std::max<std::size_t>(length, 1));
  }
  return out;
}

Svg::Svg(double width, double height, std::string_view title, std::string_view description,
         Theme theme) {
  const std::string name = escaped(title);
  const std::string words = escaped(description);
  head_ = fmt::format(
      "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"pb\" viewBox=\"0 0 {0} {1}\" "
      "width=\"{0}\" height=\"{1}\" role=\"img\" aria-label=\"{2}. {3}\"><title>{2}</title>"
      "<desc>{3}</desc><style>{4}</style>",
      number(width), number(height), name, words, style_sheet(theme));
  rect("bg", 0, 0, width, height);
  text("ink t", 10, 20, Anchor::start, title);
}

std::string Svg::number(double value) {
  if (!std::isfinite(value)) return "0";
  const double tenths = std::round(value * 10.0);
  const auto whole = static_cast<std::int64_t>(tenths / 10.0);
  return std::abs(tenths - static_cast<double>(whole) * 10.0) < 0.5
             ? fmt::format("{}", whole)
             : fmt::format("{:.1f}", tenths / 10.0);
}

void Svg::rect(std::string_view style, double x, double y, double width, double height) {
  body_ += fmt::format("<rect class=\"{}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>", style,
                       number(x), number(y), number(std::max(width, 0.0)),
                       number(std::max(height, 0.0)));
}

void Svg::line(std::string_view style, double x1, double y1, double x2, double y2) {
  body_ += fmt::format("<line class=\"{}\" x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\"/>", style,
                       number(x1), number(y1), number(x2), number(y2));
}

void Svg::circle(std::string_view style, double x, double y, double radius) {
  body_ += fmt::format("<circle class=\"{}\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>", style, number(x),
                       number(y), number(std::max(radius, 0.0)));
}

void Svg::path(std::string_view style, std::string_view data) {
  if (!data.empty()) body_ += fmt::format("<path class=\"{}\" d=\"{}\"/>", style, data);
}

void Svg::text(std::string_view style, double x, double y, Anchor anchor, std::string_view text) {
  static constexpr std::array names{"start", "middle", "end"};
  body_ +=
      fmt::format("<text class=\"{}\" x=\"{}\" y=\"{}\" text-anchor=\"{}\">{}</text>", style,
                  number(x), number(y), names[static_cast<std::size_t>(anchor)], escaped(text));
}

std::string Svg::finish() const { return head_ + body_ + "</svg>\n"; }

std::vector<double> round_ticks(double low, double high, int wanted) {
  std::vector<double> ticks;
  if (!std::isfinite(low) || !std::isfinite(high) || !(high > low) || wanted < 1) return ticks;
  const double raw = (high - low) / wanted;
  const double decade = std::pow(10.0, std::floor(std::log10(raw)));
  double step = 10.0 * decade;
  for (const double factor : {1.0, 2.0, 5.0}) {
    if (factor * decade >= raw * 0.999) {
      step = factor * decade;
      break;
    }
  }
  const double first = std::ceil(low / step - 1e-9);
  for (double i = first; i * step <= high + 1e-9 * step && ticks.size() < 100; i += 1.0) {
    ticks.push_back(i * step + 0.0);
  }
  return ticks;
}

}  // namespace pipebeat::show
