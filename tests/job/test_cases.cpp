// Worked cases, readings revealed one by one: the right cause ends first, after fewer tests than a
// fixed order of tests needs.
#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <fstream>
#include <nlohmann/json.hpp>
#include <numeric>
#include <set>

#include "cards.hpp"
#include "job/diagnose.hpp"

using namespace pipebeat;
using Json = nlohmann::json;

namespace {

const Json& cases() {
  static const Json all = Json::parse(std::ifstream{CASES_FILE});
  return all;
}

JobCard card_of(const Json& c) {
  JobCard card;
  card.engine.cylinders = c["cylinders"];
  card.bench = {c["cylinders"], *fuel_named(c["fuel"].get<std::string>()),
                *injection_named(c["injection"].get<std::string>()),
                *ignition_named(c["ignition"].get<std::string>())};
  card.rows.emplace_back(static_cast<std::size_t>(card.engine.cylinders));
  std::iota(card.rows[0].begin(), card.rows[0].end(), 1);
  return card;
}

/// Does a test on the case's engine and writes the answer on the card.
void perform(JobCard& card, const Json& c, const std::string& test, int cylinder) {
  const auto at = c["at"].get<std::vector<int>>();
  const bool there = cylinder == 0 || std::find(at.begin(), at.end(), cylinder) != at.end();
  const Json& answers = c["answers"];
  const Json& answer = there && answers.contains(test) ? answers[test] : cases()["healthy"].at(test);
  if (answer.contains("heard")) {
    test::find(card, "check", Json{{"verdict", answer["heard"]}, {"confidence", 0.9}}.dump());
  } else if (answer.contains("dead")) {
    test::find(card, "droptest", Json{{"dead_cylinders", answer["dead"]}, {"confidence", 0.9}}.dump());
  } else if (answer.contains("swapped")) {
    const int other = cylinder == 1 ? 2 : cylinder - 1;
    test::read(card, cylinder, "swapped",
               fmt::format("{}:{}>{}", answer["swapped"].get<std::string>(), cylinder, other),
               answer["followed"].get<std::string>());
  } else {
    for (const auto& [what, text] : answer.items()) {
      test::read(card, cylinder, what, text.get<std::string>());
    }
  }
}

struct Hunt {
  int tests = 0;
  double minutes = 0.0;
  Diagnosis end;
  std::string path;
};

/// The tests as the program chooses them, until it is sure or has none left.
Hunt chosen(const Json& c) {
  JobCard card = card_of(c);
  Hunt hunt;
  for (;;) {
    hunt.end = job::diagnose(card, test::table());
    const TestAdvice& next = hunt.end.tests.front();
    if (hunt.end.settled || next.bits == 0.0) return hunt;
    perform(card, c, next.test, next.cylinder);
    ++hunt.tests;
    hunt.minutes += next.minutes;
    hunt.path += fmt::format(" {}", next.test);
    REQUIRE(hunt.tests < 60);
  }
}

/// The tests in the fixed order, on the cylinder under most suspicion, with the same rule to stop.
Hunt fixed(const Json& c) {
  JobCard card = card_of(c);
  Hunt hunt;
  hunt.end = job::diagnose(card, test::table());
  for (const std::string code : cases()["fixed_order"]) {
    if (hunt.end.settled) break;
    const auto& tests = test::table().tests;
    const auto t = std::find_if(tests.begin(), tests.end(), [&](const auto& x) { return x.code == code; });
    REQUIRE(t != tests.end());
    if (!t->needs.met_by(card.bench)) continue;
    int cylinder = 0;
    if (test::table().readings[t->gives].where == job::TableReading::Where::cylinder) {
      const auto& p = hunt.end.cylinder_probability;
      cylinder = static_cast<int>(std::max_element(p.begin(), p.end()) - p.begin()) + 1;
    }
    perform(card, c, code, cylinder);
    ++hunt.tests;
    hunt.minutes += t->minutes;
    hunt.end = job::diagnose(card, test::table());
  }
  return hunt;
}

}  // namespace

TEST_CASE("worked cases: the right cause ends first") {
  REQUIRE(cases()["cases"].size() >= 10);
  std::set<std::string> faults;
  for (const Json& c : cases()["cases"]) {
    CAPTURE(c["name"].get<std::string>());
    faults.insert(c["cause"].get<std::string>());
    const Hunt hunt = chosen(c);
    const RankedCause& top = hunt.end.causes.front();
    CAPTURE(hunt.path);
    CAPTURE(top.probability);
    CHECK(top.cause == c["cause"].get<std::string>());
    CHECK(top.cylinders == c["at"].get<std::vector<int>>());
    CHECK(hunt.end.settled);
    for (const std::string& said : hunt.end.contradictions) CHECK_MESSAGE(false, said);
  }
  CHECK(faults.size() >= 10);
}

TEST_CASE("worked cases: fewer tests and minutes than in a fixed order") {
  double tests = 0.0;
  double minutes = 0.0;
  double fixed_tests = 0.0;
  double fixed_minutes = 0.0;
  fmt::print("{:<52}{:>14}{:>14}\n", "case", "chosen", "fixed order");
  for (const Json& c : cases()["cases"]) {
    const Hunt a = chosen(c);
    const Hunt b = fixed(c);
    fmt::print("{:<52}{:>4}, {:>4.0f} min{:>4}, {:>4.0f} min {}\n", c["name"].get<std::string>(), a.tests,
               a.minutes, b.tests, b.minutes, b.end.settled ? "" : "(never sure)");
    tests += a.tests;
    minutes += a.minutes;
    fixed_tests += b.tests;
    fixed_minutes += b.minutes;
  }
  const auto n = static_cast<double>(cases()["cases"].size());
  fmt::print("average: {:.1f} tests and {:.0f} min chosen, {:.1f} tests and {:.0f} min in the fixed order\n",
             tests / n, minutes / n, fixed_tests / n, fixed_minutes / n);
  CHECK(tests < fixed_tests);
  CHECK(minutes < fixed_minutes);
}
