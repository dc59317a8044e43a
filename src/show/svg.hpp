// A drawing made of SVG elements: what the pictures are drawn on.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace pipebeat::show {

/// Light, dark, or whichever the reader's screen asks for (paper is always light).
enum class Theme { automatic, light, dark };

/// Text safe inside XML and HTML, in elements and in quoted attributes: markup escaped, control
/// characters and bytes that aren't UTF-8 replaced by U+FFFD.
[[nodiscard]] std::string escaped(std::string_view text);

/// A drawing. Coordinates are in drawing units, x to the right and y downward; a coordinate that is
/// not finite is drawn as 0, so that a picture is never broken markup.
///
/// Classes are those of the style sheet in svg.cpp: "ink" text, "soft" secondary text, "axis",
/// "grid", "line" and "fill" the measured, "warn" and "warnfill" what is missing or out of place,
/// "off" what was left out, "whisker" a spread, "s0".."s9" shades of a level, "mark" the sign of a
/// missing event on a shade.
class Svg {
 public:
  /// `title` and `description` are read out by screen readers in place of the drawing.
  Svg(double width, double height, std::string_view title, std::string_view description,
      Theme theme);

  enum class Anchor { start, middle, end };

  void rect(std::string_view style, double x, double y, double width, double height);
  void line(std::string_view style, double x1, double y1, double x2, double y2);
  void circle(std::string_view style, double x, double y, double radius);
  /// `data`: the path in SVG's own language.
  void path(std::string_view style, std::string_view data);
  void text(std::string_view style, double x, double y, Anchor anchor, std::string_view text);

  /// The whole drawing; it can stand in an HTML page or in a file of its own.
  [[nodiscard]] std::string finish() const;

  /// A coordinate as pictures write it: at most one decimal.
  [[nodiscard]] static std::string number(double value);

 private:
  std::string head_;
  std::string body_;
};

/// Round values that divide [low, high] into about `wanted` steps of 1, 2 or 5 times a power of
/// ten. Empty when the range is empty or not finite.
[[nodiscard]] std::vector<double> round_ticks(double low, double high, int wanted);

}  // namespace pipebeat::show
