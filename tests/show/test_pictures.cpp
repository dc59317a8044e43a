#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <string>
#include <vector>

#include "findings.hpp"
#include "show/beat_rows.hpp"
#include "show/csv.hpp"
#include "show/html.hpp"
#include "show/pictures.hpp"
#include "show/text.hpp"
#include "xml.hpp"

using namespace pipebeat;
using namespace pipebeat::show;

namespace {

constexpr float not_a_number = std::numeric_limits<float>::quiet_NaN();
constexpr float infinity = std::numeric_limits<float>::infinity();

/// Cycles at 700 rpm; position `dead` (1-based, 0: none) misses every event.
void add_cycles(Finding& f, int cycles, int positions, int dead, float begin_s = 0.0F) {
  constexpr float cycle_s = 120.0F / 700.0F;
  const auto first = static_cast<std::int32_t>(f.events.size()) / positions;
  for (int c = 0; c < cycles; ++c) {
    for (int p = 1; p <= positions; ++p) {
      const float time =
          begin_s + cycle_s * (static_cast<float>(c) +
                               static_cast<float>(p - 1) / static_cast<float>(positions));
      const bool missing = p == dead;
      f.events.push_back({time, first + c, static_cast<std::int16_t>(p), missing ? 0.0F : 1.0F,
                          missing ? 1.0F : 0.0F});
    }
  }
}

Finding full() {
  Finding f = test::one_dead();
  add_cycles(f, 69, 4, 3);
  for (int i = 0; i < 120; ++i) {
    const float t = 0.1F * static_cast<float>(i);
    f.speed_trace.push_back({t, 700.0F + 10.0F * std::sin(t)});
    f.level_strip.push_back({t, -20.0F, i == 50, i < 100});
  }
  for (int k = 1; k <= 24; ++k) {
    f.order_lines.push_back({static_cast<float>(k) / 2.0F, 3.0F, k % 4 == 0 ? 1.0F : 0.0F});
  }
  return f;
}

std::size_t count(const std::string& text, const std::string& part) {
  std::size_t n = 0;
  for (std::size_t at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) ++n;
  return n;
}

/// Area of the path with that class, in square units: the sum of its "h W v H" rectangles.
double area_of(const std::string& svg, const std::string& style) {
  std::string start{"<path class=\""};
  start.append(style).append("\" d=\"");
  const std::size_t at = svg.find(start);
  if (at == std::string::npos) return 0.0;
  const std::string data =
      svg.substr(at + start.size(), svg.find('"', at + start.size()) - at - start.size());
  double area = 0.0;
  for (std::size_t h = data.find('h'); h != std::string::npos; h = data.find('h', h + 1)) {
    area += std::stod(data.substr(h + 1)) * std::stod(data.substr(data.find('v', h) + 1));
  }
  return area;
}

}  // namespace

TEST_CASE("pictures: every one is well-formed, titled and described") {
  const Engine engine = test::four();
  const Finding f = full();
  const Report report{"a<b> & \"c\" '\x01\xff'.wav", engine, f};
  for (const Picture picture : all_pictures) {
    for (const Theme theme : {Theme::automatic, Theme::light, Theme::dark}) {
      const std::string svg = to_svg(picture, report, theme);
      CAPTURE(name_of(picture));
      CHECK(test::xml_trouble(svg) == "");
      CHECK(svg.find("role=\"img\"") != std::string::npos);
      CHECK(svg.find("<title>") != std::string::npos);
      CHECK(svg.find("One cylinder is dead") != std::string::npos);
      CHECK(svg.find("nan") == std::string::npos);
      CHECK(svg.find("inf") == std::string::npos);
    }
  }
}

TEST_CASE("pictures: nothing to draw gives nothing") {
  const Engine engine = test::four();
  const Finding f = test::unclear(ReasonCode::no_engine_heard);
  for (const Picture picture : all_pictures) {
    CHECK(to_svg(picture, {"a.wav", engine, f}).empty());
  }
}

TEST_CASE("an unclear finding marks nothing as missing, and no engine has no beat") {
  const Engine engine = test::four();
  Finding f = full();
  f.verdict = Verdict::unclear;
  f.reasons = {{ReasonCode::too_noisy, 0, 1.0}};
  CHECK(area_of(to_svg(Picture::beat_map, {"a.wav", engine, f}), "s0") > 0.0);
  CHECK(area_of(to_svg(Picture::beat_map, {"a.wav", engine, f}), "mark") == 0.0);
  CHECK(to_csv({"a.wav", engine, f}).find("0.0857,0,3,0.000,\n") != std::string::npos);
  f.reasons = {{ReasonCode::no_engine_heard}};
  CHECK(to_svg(Picture::beat_map, {"a.wav", engine, f}).empty());
  CHECK(count(to_csv({"a.wav", engine, f}), "\n") == 1);
}

TEST_CASE("pictures: numbers that aren't finite don't break one") {
  const Engine engine = test::four();
  for (const float bad : {not_a_number, infinity, -infinity}) {
    Finding f = full();
    for (std::size_t i = 0; i < f.events.size(); i += 3) f.events[i].level = bad;
    for (std::size_t i = 0; i < f.speed_trace.size(); i += 3) f.speed_trace[i].rpm = bad;
    for (std::size_t i = 0; i < f.level_strip.size(); i += 3) f.level_strip[i].rms_db = bad;
    for (std::size_t i = 0; i < f.order_lines.size(); i += 3) f.order_lines[i].level_db = bad;
    f.order_lines[1].expected = bad;
    f.positions[1].level = static_cast<double>(bad);
    f.positions[2].level_spread = static_cast<double>(bad);
    for (const Picture picture : all_pictures) {
      const std::string svg = to_svg(picture, {"a.wav", engine, f});
      CAPTURE(name_of(picture));
      CHECK(test::xml_trouble(svg) == "");
      // Shapes hold digits only; a level that is not a number may be called so in words.
      for (const char* attribute : {" x=\"nan", " y=\"nan", "=\"inf", "=\"-inf", "d=\"Mnan"}) {
        CHECK(svg.find(attribute) == std::string::npos);
      }
    }
  }
}

TEST_CASE("beat map: the marks cover half of what is missing, whatever the length") {
  const Engine engine = test::four();
  for (const int cycles : {3, 69, 400, 5000}) {
    Finding f = test::one_dead();
    add_cycles(f, cycles, 4, 3);
    const std::string svg = to_svg(Picture::beat_map, {"a.wav", engine, f});
    CAPTURE(cycles);
    CHECK(svg.size() < 300'000);
    const double dark = area_of(svg, "s0");  // the dead column
    const double marks = area_of(svg, "mark");
    CHECK(dark > 0.0);
    CHECK(marks == doctest::Approx(dark / 2).epsilon(0.1));
    double cells = 0.0;
    for (int s = 0; s < 10; ++s) cells += area_of(svg, std::string{"s"}.append(std::to_string(s)));
    CHECK(dark == doctest::Approx(cells / 4).epsilon(0.02));
  }
}

TEST_CASE("beat map: sixteen positions still fit") {
  const Engine engine = *Engine::make({16, 4, {}, {}, {}});
  Finding f = test::one_dead();
  add_cycles(f, 1250, 16, 7);
  const std::string svg = to_svg(Picture::beat_map, {"a.wav", engine, f});
  CHECK(test::xml_trouble(svg) == "");
  CHECK(area_of(svg, "mark") > 0.0);
}

TEST_CASE("beat rows: cycles share a row only when they must") {
  Finding f = test::one_dead();
  add_cycles(f, 69, 4, 3);
  const BeatRows all = beat_rows(f, 4, 100);
  CHECK(all.cycles_per_row == 1);
  CHECK(all.rows.size() == 69);
  const BeatRows some = beat_rows(f, 4, 30);
  CHECK(some.cycles_per_row == 3);
  CHECK(some.rows.size() == 23);
  CHECK(some.rows[5].cells[2].missing == doctest::Approx(1.0));
  CHECK(some.rows[5].cells[1].missing == doctest::Approx(0.0));
  CHECK(beat_rows(f, 4, 2).rows.size() == 2);
}

TEST_CASE("beat rows: a pause becomes one gap row") {
  Finding f;
  add_cycles(f, 10, 4, 0);
  add_cycles(f, 10, 4, 0, 8.0F);
  const BeatRows rows = beat_rows(f, 4, 100);
  REQUIRE(rows.rows.size() == 21);
  CHECK(rows.rows[10].gap);
  CHECK(rows.rows[11].time_s == doctest::Approx(8.0));
}

TEST_CASE("beat rows: positions that the engine hasn't got are left out") {
  Finding f;
  f.events = {{0.0F, 0, 0, 1.0F, 0.0F}, {0.1F, 0, 5, 1.0F, 0.0F}, {0.2F, 0, 4, 1.0F, 0.0F}};
  const BeatRows rows = beat_rows(f, 4, 10);
  REQUIRE(rows.rows.size() == 1);
  CHECK_FALSE(rows.rows[0].cells[0].judged);
  CHECK(rows.rows[0].cells[3].judged);
}

TEST_CASE("ticks are round, inside and rise") {
  const std::vector<double> t = round_ticks(688.0, 719.5, 4);
  CHECK(t == std::vector<double>{690.0, 700.0, 710.0});
  CHECK(round_ticks(0.0, 14.0, 6) == std::vector<double>{0.0, 5.0, 10.0});
  CHECK(round_ticks(1.0, 1.0, 4).empty());
  CHECK(round_ticks(0.0, static_cast<double>(not_a_number), 4).empty());
}

TEST_CASE("escaping follows XML 1.0") {
  CHECK(escaped("<a & 'b' \"c\">") == "&lt;a &amp; &#39;b&#39; &quot;c&quot;&gt;");
  CHECK(escaped("B\xC3\xA4"
                "ckerei") ==
        "B\xC3\xA4"
        "ckerei");
  CHECK(escaped("\x01") == "\xEF\xBF\xBD");
  CHECK(escaped("\xFF") == "\xEF\xBF\xBD");
  CHECK(escaped("\xC0\x80") == "\xEF\xBF\xBD\xEF\xBF\xBD");                  // overlong
  CHECK(escaped("\xED\xA0\x80") == "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD");  // a surrogate
  CHECK(escaped("\xEF\xBF\xBE") == "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD");  // U+FFFE
}

TEST_CASE("csv: a line for every event") {
  const Engine engine = test::four();
  Finding f = test::one_dead();
  add_cycles(f, 5000, 4, 3);
  f.events[1].level = not_a_number;
  const std::string csv = to_csv({"a.wav", engine, f});
  CHECK(count(csv, "\n") == 20'001);
  CHECK(
      csv.starts_with("time_s,cycle,position,level,missing_probability\n"
                      "0.0000,0,1,1.000,0.0000\n0.0429,0,2,,0.0000\n0.0857,0,3,0.000,1.0000\n"));
  CHECK(csv.ends_with("\n"));
}

TEST_CASE("html: self-contained, escaped, and no picture is left out") {
  const Engine engine = test::four();
  const Finding f = full();
  const std::string html = to_html({"<script>alert(1)</script>.wav", engine, f});
  CHECK(html.find("<script") == std::string::npos);
  CHECK(html.find("default-src 'none'") != std::string::npos);
  CHECK(html.find("src=") == std::string::npos);
  CHECK(html.find("href=") == std::string::npos);
  CHECK(count(html, "<svg ") == all_pictures.size());
  CHECK(to_html({"a.wav", engine, test::one_dead()}).find("(<code>pipebeat droptest --help</code>)") != std::string::npos);
  CHECK(html.find("clear of exhaust gas") != std::string::npos);
}

TEST_CASE("text: the small beat map has a line for each position") {
  const Engine engine = test::four();
  const Finding f = full();
  const std::string text = to_text({"a.wav", engine, f}, {.beat_map = true});
  CHECK(text.find(std::string{"         3    "}.append(35, 'X')) != std::string::npos);
  CHECK(text.find(std::string{"         2    "}.append(35, '#')) != std::string::npos);
  CHECK(to_text({"a.wav", engine, f}).find("Beat map") == std::string::npos);
}
