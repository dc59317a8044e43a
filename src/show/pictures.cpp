#include "show/pictures.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <vector>

#include "show/beat_rows.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

using Anchor = Svg::Anchor;

constexpr double width = 400.0;
constexpr double full_level = 1.15;  // from here on a cell has the lightest shade
constexpr std::size_t shades = 10;

/// Maps values of one axis to drawing units.
struct Scale {
  double low, high;  ///< values
  double from, to;   ///< drawing units
  [[nodiscard]] double operator()(double value) const {
    return from + (value - low) / (high - low) * (to - from);
  }
};

/// A plot with time (or order) along the bottom and a value upward.
struct Frame {
  Scale x, y;

  void draw(Svg& svg, std::string_view x_name, std::string_view y_name, int x_ticks,
            int y_ticks) const {
    for (const double v : round_ticks(y.low, y.high, y_ticks)) {
      svg.line("grid", x.from, y(v), x.to, y(v));
      svg.text("soft", x.from - 6, y(v) + 4, Anchor::end, fmt::format("{:g}", v));
    }
    for (const double v : round_ticks(x.low, x.high, x_ticks)) {
      svg.line("axis", x(v), y.from, x(v), y.from + 4);
      svg.text("soft", x(v), y.from + 17, Anchor::middle, fmt::format("{:g}", v));
    }
    svg.line("axis", x.from, y.from, x.to, y.from);
    svg.text("soft", x.to, y.from + 33, Anchor::end, x_name);
    svg.text("soft", 10, y.to - 8, Anchor::start, y_name);
  }
};

std::string subject(const Report& report) {
  return one_line(report.file) + ": " + headline(report) + ".";
}

/// Subpath of a rectangle, in tenths; many of them make one path element.
void add_rect(std::string& path, double x, double y, double w, double h) {
  path += fmt::format("M{0} {1}h{2}v{3}H{0}z", Svg::number(x), Svg::number(y), Svg::number(w),
                      Svg::number(h));
}

// ---------------------------------------------------------------------------------- beat map

/// How the rows are laid out: strips side by side, read downward, then to the right.
struct Strips {
  std::size_t count, rows_each;
  double label_width, cell_width, row_height;
};

constexpr double map_left = 10.0;
constexpr double map_top = 62.0;
constexpr double map_height = 340.0;

constexpr double map_label = 38.0;
constexpr double row_least = 2.8;
// More strips would be labels rather than cells; longer recordings share rows instead.
constexpr std::size_t most_strips = 4;
constexpr auto rows_a_strip = static_cast<std::size_t>(map_height / row_least);

Strips arrange(std::size_t rows, std::size_t positions) {
  Strips s{};
  s.count = std::max<std::size_t>((rows + rows_a_strip - 1) / rows_a_strip, 1);
  s.rows_each = (rows + s.count - 1) / s.count;
  s.label_width = map_label;
  const double strip = (width - 2 * map_left) / static_cast<double>(s.count);
  s.cell_width = std::min((strip - s.label_width) / static_cast<double>(positions), 80.0);
  s.row_height = std::min(map_height / static_cast<double>(s.rows_each), 14.0);
  return s;
}

std::string beat_map(const Report& report, Theme theme) {
  const std::size_t positions = report.engine.positions().size();
  const BeatRows map = beat_rows(report.finding, positions, most_strips * rows_a_strip);
  if (map.rows.empty()) return {};
  const Strips strips = arrange(map.rows.size(), positions);
  const double height = map_top + static_cast<double>(strips.rows_each) * strips.row_height + 46.0;

  std::string description = fmt::format(
      "{} Each row is {}, time runs down and then to the next strip; each column is a "
      "firing position; dark is a small pulse, orange a missing one.",
      subject(report),
      map.cycles_per_row == 1 ? std::string{"one cycle"}
                              : fmt::format("{} cycles", map.cycles_per_row));
  for (const PositionFinding& p : report.finding.positions) {
    description +=
        fmt::format(" Position {}: {:.0f} % missing.", p.position, 100.0 * p.missing_ratio);
  }
  Svg svg{width, height, "Beat map", description, theme};
  // The list of events is bounded; a very long recording is shown from its beginning.
  const auto judged =
      static_cast<std::size_t>(report.finding.expected_events.value_or(0)) / positions;
  const std::string cycles = map.cycles < judged
                                 ? fmt::format("first {} of {} cycles", map.cycles, judged)
                                 : fmt::format("{} cycles", map.cycles);
  svg.text("soft", width - 10, 20, Anchor::end,
           map.cycles_per_row == 1 ? fmt::format("{}, one a row", cycles)
                                   : fmt::format("{}, {} a row", cycles, map.cycles_per_row));
  svg.text("soft", 10, 38, Anchor::start, "time in s, then firing positions");

  std::vector<std::string> shade(shades);
  std::string marks;
  std::string gaps;
  for (std::size_t s = 0; s < strips.count; ++s) {
    const double left =
        map_left +
        static_cast<double>(s) * (width - 2 * map_left) / static_cast<double>(strips.count) +
        strips.label_width;
    const double wide = strips.cell_width * static_cast<double>(positions);
    for (std::size_t j = 0; j < positions; ++j) {
      if (strips.cell_width < 9.0 && j != 0 && j + 1 != positions) continue;
      if (strips.cell_width * static_cast<double>(positions) < 18.0 && j != 0) continue;
      svg.text("soft", left + (static_cast<double>(j) + 0.5) * strips.cell_width, map_top - 5,
               Anchor::middle, fmt::format("{}", j + 1));
    }
    const std::size_t begin = s * strips.rows_each;
    const std::size_t end = std::min(begin + strips.rows_each, map.rows.size());
    const auto label_every =
        std::max<std::size_t>(static_cast<std::size_t>(std::ceil(34.0 / strips.row_height)), 1);
    for (std::size_t r = begin; r < end; ++r) {
      const BeatRow& row = map.rows[r];
      const double y = map_top + static_cast<double>(r - begin) * strips.row_height;
      if ((r - begin) % label_every == 0) {
        svg.text("soft", left - 5, y + std::min(strips.row_height / 2 + 4, 10.0), Anchor::end,
                 fmt::format("{:.{}f}", row.time_s, row.time_s < 99.95 ? 1 : 0));
      }
      if (row.gap) add_rect(gaps, left, y, wide, strips.row_height);
      for (std::size_t j = 0; j < row.cells.size(); ++j) {
        const BeatCell& cell = row.cells[j];
        if (!cell.judged) continue;
        const double x = left + static_cast<double>(j) * strips.cell_width;
        const double share = std::clamp(cell.level / full_level, 0.0, 1.0);
        const auto step = static_cast<std::size_t>(std::lround(share * (shades - 1)));
        add_rect(shade[step], x, y, strips.cell_width, strips.row_height);
        if (cell.missing > 0.0) {
          const double bar = std::max(0.5 * cell.missing * strips.cell_width, 0.8);
          add_rect(marks, x + (strips.cell_width - bar) / 2, y, bar, strips.row_height);
        }
      }
    }
    const double high = static_cast<double>(end - begin) * strips.row_height;
    for (std::size_t j = 0; j <= positions; ++j) {
      const double x = left + static_cast<double>(j) * strips.cell_width;
      if (j == 0 || j == positions) svg.line("axis", x, map_top, x, map_top + high);
    }
  }
  svg.path("off", gaps);
  for (std::size_t i = 0; i < shades; ++i) svg.path(fmt::format("s{}", i), shade[i]);
  svg.path("mark", marks);

  const double legend = height - 24.0;
  svg.text("soft", 10, legend + 10, Anchor::start, "pulse: none");
  for (std::size_t i = 0; i < shades; ++i) {
    svg.rect(fmt::format("s{}", i), 88.0 + 11.0 * static_cast<double>(i), legend, 11.2, 12);
  }
  svg.text("soft", 204, legend + 10, Anchor::start, "full");
  svg.rect("s0", 250, legend, 14, 12);
  svg.rect("mark", 253.5, legend, 7, 12);
  svg.text("soft", 270, legend + 10, Anchor::start, "missing");
  if (!gaps.empty()) {
    svg.rect("off", 326, legend, 14, 12);
    svg.text("soft", 346, legend + 10, Anchor::start, "no run");
  }
  return svg.finish();
}

// -------------------------------------------------------------------------------- cycle dial

std::string cycle_dial(const Report& report, Theme theme) {
  const auto& found = report.finding.positions;
  const auto layout = report.engine.positions();
  if (found.size() != layout.size() || found.empty()) return {};
  constexpr double height = 350.0;
  constexpr double cx = width / 2;
  constexpr double cy = 190.0;
  constexpr double hub = 26.0;
  constexpr double unit = 56.0;  // length of level 1
  constexpr double rim = hub + 1.4 * unit;
  const double cycle = report.engine.cycle().value();

  std::string description = fmt::format(
      "{} The mean pulse of each firing position round the {:.0f} degrees of one cycle, clockwise "
      "from the top, with the spread from cycle to cycle; the dashed ring is a full pulse.",
      subject(report), cycle);
  for (const PositionFinding& p : found) {
    description += fmt::format(" Position {}: level {:.2f}, spread {:.2f}.", p.position, p.level,
                               p.level_spread);
  }
  Svg svg{width, height, "Cycle dial", description, theme};
  svg.text("soft", width - 10, 20, Anchor::end, "mean pulse and its spread; ring: 1");

  const auto point = [&](double degrees, double radius) {
    const double a = degrees / cycle * 2.0 * std::numbers::pi;
    return std::pair{cx + radius * std::sin(a), cy - radius * std::cos(a)};
  };
  const auto ring = [&](double radius) {
    return fmt::format("M{0} {1}a{2} {2} 0 1 1 {3} 0a{2} {2} 0 1 1 -{3} 0z",
                       Svg::number(cx - radius), Svg::number(cy), Svg::number(radius),
                       Svg::number(2 * radius));
  };
  svg.path("axis", ring(hub));
  svg.path("grid", ring(hub + unit));
  svg.path("axis", ring(rim));
  svg.text("soft", cx, cy + 4, Anchor::middle, fmt::format("{:.0f}°", cycle));
  for (int quarter = 0; quarter < 4; ++quarter) {
    const double degrees = cycle / 4.0 * quarter;
    const auto [x1, y1] = point(degrees, rim);
    const auto [x2, y2] = point(degrees, rim + 5);
    svg.line("axis", x1, y1, x2, y2);
  }
  const double half = std::min(0.32 * 360.0 / static_cast<double>(found.size()), 16.0) / 360.0 *
                      cycle;  // half the width of a wedge
  for (std::size_t j = 0; j < found.size(); ++j) {
    const double at = layout[j].angle.value();
    const double level = std::isfinite(found[j].level) ? found[j].level : 0.0;
    const double spread = std::isfinite(found[j].level_spread) ? found[j].level_spread : 0.0;
    const bool misses = is_miss(report.finding.verdict) && found[j].missing_ratio >= 0.5;
    const auto wedge = [&](double outer) {
      const auto spot = [](std::pair<double, double> p) {
        return fmt::format("{} {}", Svg::number(p.first), Svg::number(p.second));
      };
      return fmt::format("M{0}L{1}A{4} {4} 0 0 1 {2}L{3}A{5} {5} 0 0 0 {0}z",
                         spot(point(at - half, hub)), spot(point(at - half, outer)),
                         spot(point(at + half, outer)), spot(point(at + half, hub)),
                         Svg::number(outer), Svg::number(hub));
    };
    if (misses) svg.path("warn dashed", wedge(hub + unit));
    svg.path(misses ? "warnfill" : "fill", wedge(hub + unit * std::clamp(level, 0.0, 1.35)));
    const auto [lx, ly] = point(at, hub + unit * std::clamp(level - spread, 0.0, 1.38));
    const auto [hx, hy] = point(at, hub + unit * std::clamp(level + spread, 0.0, 1.38));
    svg.line("whisker", lx, ly, hx, hy);
    const bool crowded = found.size() > 8;
    const auto [tx, ty] = point(at, rim + (crowded ? 14 : 16));
    const double side = std::sin(at / cycle * 2.0 * std::numbers::pi);
    const Anchor anchor = side > 0.2 ? Anchor::start : side < -0.2 ? Anchor::end : Anchor::middle;
    const double down = -std::cos(at / cycle * 2.0 * std::numbers::pi);
    svg.text("ink b", tx,
             ty + 4 + 4 * down -
                 (crowded      ? 0
                  : down > 0.5 ? -2
                               : 6),
             anchor, crowded ? fmt::format("{}", j + 1) : fmt::format("{} at {:.0f}°", j + 1, at));
    if (!crowded) {
      svg.text("soft", tx, ty + 18 + 4 * down - (down > 0.5 ? -2 : 6), anchor,
               fmt::format("{:.2f} ± {:.2f}", found[j].level, found[j].level_spread));
    }
  }
  return svg.finish();
}

// ---------------------------------------------------------------------------- order spectrum

std::string order_spectrum(const Report& report, Theme theme) {
  std::vector<OrderLine> lines;
  for (const OrderLine& l : report.finding.order_lines) {
    if (std::isfinite(l.order) && std::isfinite(l.level_db)) lines.push_back(l);
  }
  if (lines.empty()) return {};
  float top_order = 0.0F;
  double low = -10.0;
  double high = 10.0;
  for (const OrderLine& l : lines) {
    top_order = std::max(top_order, l.order);
    low = std::min(low, static_cast<double>(l.level_db));
    high = std::max(high, static_cast<double>(l.level_db));
  }
  constexpr double height = 270.0;
  const double step = lines.size() > 1 ? static_cast<double>(lines[1].order - lines[0].order) : 0.5;
  const Frame frame{{0.0, static_cast<double>(top_order) + step, 46.0, width - 10.0},
                    {low - 1.0, high + 1.0, height - 66.0, 62.0}};
  std::string description = fmt::format(
      "{} Strength of each line of the cycle over the noise floor, by crank order. Round heads: "
      "orders that a healthy engine of this layout sounds; square heads: orders where it is nearly "
      "silent.",
      subject(report));
  Svg svg{width, height, "Order spectrum", description, theme};
  frame.draw(svg, "crank order (1: once a revolution)", "dB over the floor", 8, 5);
  // A line below a tenth of the firing line counts as silent in a healthy engine.
  constexpr float sounds_from = 0.1F;
  std::string expected;
  for (const OrderLine& l : lines) {
    if (!(l.expected >= sounds_from)) continue;
    const double wide = std::min((frame.x(step) - frame.x(0.0)) * 0.9, 14.0);
    const double share = std::clamp(static_cast<double>(l.expected), 0.0, 1.0);
    const double tall = share * (frame.y.from - frame.y.to);
    add_rect(expected, frame.x(static_cast<double>(l.order)) - wide / 2, frame.y.from - tall, wide,
             tall);
  }
  svg.path("off", expected);
  for (const OrderLine& l : lines) {
    const double x = frame.x(static_cast<double>(l.order));
    const double y = frame.y(static_cast<double>(l.level_db));
    const bool sounds = l.expected >= sounds_from;
    svg.line(sounds ? "line" : "warn", x, frame.y.from, x, y);
    if (sounds) {
      svg.circle("fill", x, y, 3);
    } else {
      svg.rect("warnfill", x - 2.5, y - 2.5, 5, 5);
    }
  }
  const double legend = height - 14.0;
  svg.rect("off", 10, legend - 9, 12, 11);
  svg.circle("fill", 16, legend - 4, 3);
  svg.text("soft", 28, legend, Anchor::start, "sounds in a healthy engine");
  svg.rect("warnfill", 222, legend - 7, 5, 5);
  svg.text("soft", 234, legend, Anchor::start, "nearly silent in one");
  return svg.finish();
}

// -------------------------------------------------------------------------- speed and level

/// Seconds that a time axis must show.
double seconds_of(const Finding& f) {
  double last = f.duration.value();
  if (!f.level_strip.empty())
    last = std::max(last, static_cast<double>(f.level_strip.back().time_s));
  return std::isfinite(last) && last > 0.0 ? last : 1.0;
}

double first_second(const Finding& f) {
  // A finding on the last seconds only begins later.
  return f.level_strip.empty()
             ? 0.0
             : std::max(static_cast<double>(f.level_strip.front().time_s) - 0.2, 0.0);
}

std::string speed_trace(const Report& report, Theme theme) {
  const Finding& f = report.finding;
  std::optional<double> low;
  double high = 0.0;
  for (const SpeedPoint& p : f.speed_trace) {
    if (!std::isfinite(p.rpm) || !std::isfinite(p.time_s)) continue;
    const auto rpm = static_cast<double>(p.rpm);
    low = low ? std::min(*low, rpm) : rpm;
    high = std::max(high, rpm);
  }
  if (!low) return {};
  constexpr double height = 220.0;
  const double margin = std::max(0.15 * (high - *low), 0.02 * high);
  const Frame frame{{first_second(f), seconds_of(f), 52.0, width - 14.0},
                    {*low - margin, high + margin, height - 44.0, 62.0}};
  std::string description =
      f.speed ? fmt::format("{} Crank speed over time: {:.0f} rpm on average, {:.0f} to {:.0f}.",
                            subject(report), f.speed->mean.value(), f.speed->min.value(),
                            f.speed->max.value())
              : subject(report);
  Svg svg{width, height, "Speed trace", description, theme};
  frame.draw(svg, "time in s", "rpm", 6, 4);
  if (f.speed) {
    svg.text("soft", width - 10, 20, Anchor::end,
             fmt::format("{:.0f} rpm ({:.0f} to {:.0f})", f.speed->mean.value(),
                         f.speed->min.value(), f.speed->max.value()));
  }
  // At most some points per unit of width: first, lowest, highest and last of each column.
  std::string path;
  bool pen_down = false;
  long column = -1;
  double column_low = 0.0;
  double column_high = 0.0;
  const auto add = [&](double x, double rpm) {
    path += fmt::format("{}{} {}", pen_down ? 'L' : 'M', Svg::number(x), Svg::number(frame.y(rpm)));
    pen_down = true;
  };
  for (const SpeedPoint& p : f.speed_trace) {
    if (!std::isfinite(p.rpm) || !std::isfinite(p.time_s)) {
      pen_down = false;
      column = -1;
      continue;
    }
    const double x = frame.x(static_cast<double>(p.time_s));
    const auto rpm = static_cast<double>(p.rpm);
    const long here = std::lround(x);
    if (here != column) {
      column = here;
      column_low = column_high = rpm;
      add(x, rpm);
    } else if (rpm < column_low || rpm > column_high) {
      column_low = std::min(column_low, rpm);
      column_high = std::max(column_high, rpm);
      add(x, rpm);
    }
  }
  svg.path("line", path);
  return svg.finish();
}

std::string level_strip(const Report& report, Theme theme) {
  const Finding& f = report.finding;
  if (f.level_strip.empty()) return {};
  constexpr double height = 200.0;
  constexpr double floor_db = -80.0;
  const auto loudness = [&](const LevelPoint& p) {
    return std::isfinite(p.rms_db) ? std::clamp(static_cast<double>(p.rms_db), floor_db, 0.0)
                                   : floor_db;
  };
  double low = 0.0;
  double used = 0.0;
  double clipped = 0.0;
  for (const LevelPoint& p : f.level_strip) {
    low = std::min(low, loudness(p));
    used += p.used ? 1.0 : 0.0;
    clipped += p.clipped ? 1.0 : 0.0;
  }
  const auto count = static_cast<double>(f.level_strip.size());
  const Frame frame{
      {first_second(f), seconds_of(f), 46.0, width - 14.0},
      {std::max(std::floor(low / 10.0 - 0.5) * 10.0, floor_db), 0.0, height - 62.0, 62.0}};
  Svg svg{width, height, "Level strip",
          fmt::format("{} Loudness over time in decibels of full scale; {:.0f} % of the time was "
                      "judged, {:.0f} % is overloaded.",
                      subject(report), 100.0 * used / count, 100.0 * clipped / count),
          theme};

  // One column a drawing unit: loudest point, anything clipped, anything left out.
  const auto columns = static_cast<std::size_t>(frame.x.to - frame.x.from);
  struct Column {
    double loudest = floor_db;
    bool any = false;
    bool clipped = false;
    bool unused = false;
  };
  std::vector<Column> strip(columns);
  std::size_t last = 0;
  for (const LevelPoint& p : f.level_strip) {
    if (!std::isfinite(p.time_s)) continue;
    const double x = std::clamp(frame.x(static_cast<double>(p.time_s)) - frame.x.from, 0.0,
                                static_cast<double>(columns - 1));
    const auto here = static_cast<std::size_t>(x);
    // A short recording has fewer points than columns: each point fills up to its own column.
    for (std::size_t i = std::min(last + 1, here); i <= here; ++i) {
      Column& c = strip[i];
      c.loudest = std::max(c.any ? c.loudest : floor_db, loudness(p));
      c.any = true;
      c.clipped = c.clipped || p.clipped;
      c.unused = c.unused || !p.used;
    }
    last = here;
  }
  std::string off;
  std::string body;
  std::string over;
  for (std::size_t i = 0; i < columns; ++i) {
    const double x = frame.x.from + static_cast<double>(i);
    if (strip[i].unused) add_rect(off, x, frame.y.to, 1.0, frame.y.from - frame.y.to);
    if (strip[i].any) {
      const double y = frame.y(std::max(strip[i].loudest, frame.y.low));
      add_rect(body, x, y, 1.0, frame.y.from - y);
    }
    if (strip[i].clipped) add_rect(over, x, frame.y.to - 5.0, 1.0, 8.0);
  }
  svg.path("off", off);
  svg.path("fill", body);
  svg.path("warnfill", over);
  frame.draw(svg, "time in s", "dB of full scale", 6, 4);
  const double legend = height - 12.0;
  svg.rect("fill", 10, legend - 9, 12, 11);
  svg.text("soft", 28, legend, Anchor::start, "loudness");
  svg.rect("off", 104, legend - 9, 12, 11);
  svg.text("soft", 122, legend, Anchor::start, "left out");
  svg.rect("warnfill", 190, legend - 8, 12, 8);
  svg.text("soft", 208, legend, Anchor::start, clipped > 0.0 ? "overloaded" : "overloaded: none");
  return svg.finish();
}

}  // namespace

std::string_view name_of(Picture picture) {
  switch (picture) {
    case Picture::beat_map: return "beat-map";
    case Picture::cycle_dial: return "cycle-dial";
    case Picture::order_spectrum: return "order-spectrum";
    case Picture::speed_trace: return "speed-trace";
    case Picture::level_strip: return "level-strip";
  }
  return {};
}

std::string to_svg(Picture picture, const Report& report, Theme theme) {
  switch (picture) {
    case Picture::beat_map: return beat_map(report, theme);
    case Picture::cycle_dial: return cycle_dial(report, theme);
    case Picture::order_spectrum: return order_spectrum(report, theme);
    case Picture::speed_trace: return speed_trace(report, theme);
    case Picture::level_strip: return level_strip(report, theme);
  }
  return {};
}

}  // namespace pipebeat::show
