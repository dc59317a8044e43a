// The table of likelihoods: the built-in one is sound, and a damaged one is refused with the place.
#include <doctest/doctest.h>

#include <algorithm>
#include <set>

#include "cards.hpp"

using namespace pipebeat;

namespace {

std::string with(std::string_view from, std::string_view to) {
  std::string text{job::builtin_table_text()};
  const std::size_t at = text.find(from);
  REQUIRE_MESSAGE(at != std::string::npos, from);
  return text.replace(at, from.size(), to);
}

/// "LINE:COLUMN" of the first place where `needle` stands.
std::string place(const std::string& text, std::string_view needle) {
  const std::size_t at = text.find(needle);
  const std::string before = text.substr(0, at);
  const auto line = std::count(before.begin(), before.end(), '\n') + 1;
  return std::to_string(line) + ":" + std::to_string(at - (before.rfind('\n') + 1) + 1);
}

}  // namespace

TEST_CASE("the built-in table names every cause that a hunt meets") {
  std::set<std::string> codes;
  for (const auto& c : test::table().causes) codes.insert(c.code);
  for (const char* code :
       {"injector_dead", "injector_flow", "injector_signal", "plug", "lead", "coil", "valve", "rings",
        "head_gasket", "gasket_between", "runner_air_leak", "exhaust_leak", "rough_cam", "mixture",
        "sensor", "no_fault"}) {
    CHECK_MESSAGE(codes.contains(code), code);
  }
  for (const auto& c : test::table().causes) CHECK_MESSAGE(!c.repair.empty(), c.code);
}

TEST_CASE("every test has its cautions, and tests of one danger name it") {
  const auto has = [](const job::TableTest& t, std::string_view word) {
    return std::any_of(t.cautions.begin(), t.cautions.end(), [&](const std::string& c) {
      return c.find(word) != std::string::npos;
    });
  };
  for (const auto& t : test::table().tests) {
    CAPTURE(t.code);
    CHECK_FALSE(t.cautions.empty());
    CHECK_FALSE(t.record.empty());
    if (t.code == "compression") {
      CHECK(has(t, "Ignition and fuel disabled"));
      CHECK(has(t, "belts and fan"));
      CHECK(t.how[0].find("warm") != std::string::npos);
      CHECK(t.how[0].find("throttle fully open") != std::string::npos);
    }
    if (t.code == "spark_test") {
      CHECK(has(t, "clamped to earth, never held"));
      CHECK(has(t, "No fuel vapour"));
    }
    if (t.code == "drop_test" || t.code == "injector_signal_light") {
      CHECK(has(t, "Seconds only"));
      CHECK(has(t, "catalyst"));
    }
    if (t.code == "listen" || t.code == "raise_the_speed") CHECK(has(t, "utdoors"));
  }
}

TEST_CASE("every word that can be read is an outcome of the table") {
  for (const ReadingKind& kind : reading_kinds()) {
    if (kind.dimension != Dimension::word) continue;
    const int i = test::table().reading(kind.name);
    REQUIRE_MESSAGE(i >= 0, kind.name);
    for (const auto word : kind.words) {
      CHECK_MESSAGE(test::table().readings[static_cast<std::size_t>(i)].outcome(word) >= 0, word);
    }
  }
}

TEST_CASE("a damaged table is refused with line and column") {
  struct Case {
    std::string_view from;
    std::string_view to;
    std::string_view at;    ///< where the damage is, in the damaged text
    std::string_view says;
  };
  const Case cases[] = {
      {"[0.94, 0.04, 0.02]", "[0.94, 0.04, 0.03]", "[0.94, 0.04, 0.03]", "add up to 1.01"},
      {"[0.94, 0.04, 0.02]", "[1.0, 0.0, 0.0]", "1.0, 0.0, 0.0", "between 0 and 1"},
      {"[0.94, 0.04, 0.02]", "[0.9, 0.1]", "[0.9, 0.1]", "2 shares for 3 outcomes"},
      {"[0.94, 0.04, 0.02]", "[0.94, 0.04, \"x\"]", "\"x\"", "a number"},
      {"\"causes\": [\"rough_cam\"], \"p\"", "\"causes\": [\"gremlins\"], \"p\"", "\"gremlins\"",
       "no cause \"gremlins\""},
      {"\"minutes\": 25", "\"minutes\": 0", "0, \"tools\": [\"compression_gauge\"]", "takes some time"},
      {"\"gives\": \"click\"", "\"gives\": \"clack\"", "\"clack\"", "no reading \"clack\""},
      {"pipebeat.likelihoods/1", "pipebeat.likelihoods/9", "\"pipebeat.likelihoods/9\"", "schema"},
  };
  for (const Case& c : cases) {
    CAPTURE(c.to);
    const std::string text = with(c.from, c.to);
    const auto table = job::parse_table("mine.json", text);
    REQUIRE_FALSE(table);
    CHECK(table.error().code == ErrorCode::damaged);
    CHECK(table.error().what.find(c.says) != std::string::npos);
    CHECK_MESSAGE(table.error().what.starts_with("mine.json:" + place(text, c.at) + ": "),
                  table.error().what);
  }
}

TEST_CASE("a row without source is refused") {
  const std::string text = with("\"source\": \"common practice, no source\"", "\"source\": \"\"");
  const auto table = job::parse_table("mine.json", text);
  REQUIRE_FALSE(table);
  CHECK(table.error().what.find("name the source") != std::string::npos);
}

TEST_CASE("a number too large for any computer is named with its place") {
  const auto table = job::parse_table("t.json", "{\n  \"schema\": 2e308}");
  REQUIRE_FALSE(table);
  CHECK(table.error().code == ErrorCode::damaged);
  CHECK(table.error().what == "t.json:2:13: the number 2e308 is too large");
}
