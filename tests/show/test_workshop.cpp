// What compare, droptest, locate and clicks say at the bench.
#include <doctest/doctest.h>

#include <sstream>
#include <string>
#include <string_view>
#include <vector>

#include "findings.hpp"
#include "show/clicks.hpp"
#include "show/compare.hpp"
#include "show/droptest.hpp"

using namespace pipebeat;

namespace {

bool contains(const std::string& text, std::string_view part) {
  return text.find(part) != std::string::npos;
}

Location cylinder_three() {
  Location location;
  location.answered = true;
  location.candidates = {{3, 0.999}};
  location.reasons = {{LocateReasonCode::gap_distance, 1, 3.0, 4.0}};
  return location;
}

void check_that_it_fits(const std::string& text, int columns = 80) {
  std::istringstream lines{text};
  for (std::string line; std::getline(lines, line);) {
    CAPTURE(line);
    CHECK(show::width(line) <= static_cast<std::size_t>(columns));
  }
}

std::string compared(Change change, bool miss_after, double gone) {
  Comparison c;
  c.change = change;
  c.miss_after = miss_after;
  c.confidence = 0.98;
  c.positions = {{1, 0.04, 1.02}, {2, 1.01, 0.98}};
  c.gone_probability = gone;
  const Engine engine = test::four();
  return show::to_text(
      {c, {{"b.wav", engine, test::one_dead()}}, {{"a.wav", engine, test::one_dead()}}});
}

}  // namespace

TEST_CASE("A located cylinder stands under the firing order that nobody stated") {
  const std::string stated = show::to_text(cylinder_three());
  CHECK(contains(stated, "It is cylinder 3 (over 99 % sure)."));
  CHECK_FALSE(contains(stated, "firing order"));
  const std::string assumed =
      show::to_text(cylinder_three(), {}, show::AssumedOrder{"1-2-3-4", "because none was given"});
  CHECK(contains(assumed, "It is cylinder 3, if the engine fires 1-2-3-4 (over 99 % sure)."));
  CHECK(contains(assumed, "Firing order taken as 1-2-3-4, because none was given; give --order"));
  CHECK(contains(assumed, "Look up the firing order"));
  check_that_it_fits(show::to_text(
      cylinder_three(), {}, show::AssumedOrder{"1-12-5-8-3-10-6-7-2-11-4-9", "that of v12"}));
}

TEST_CASE("A question ends as one") {
  Location location;
  location.reasons = {{LocateReasonCode::nothing_changed, 3}};
  CHECK(contains(show::to_text(location), "was 3 unplugged at all?\n"));
}

TEST_CASE("A drop test half done asks for the other half") {
  DropTest test;
  test.cylinders.resize(2);
  test.cylinders[0].cylinder = 1;
  test.cylinders[1].cylinder = 2;
  test.reasons = {{DropReasonCode::nothing_stands_out, 0, 0.99},
                  {DropReasonCode::not_tested, 4},
                  {DropReasonCode::not_tested, 3}};
  const std::string half = show::to_text(test);
  CHECK(contains(half, "No answer yet: cylinders 3 and 4 were not unplugged."));
  CHECK(contains(half, "Unplug cylinders 3 and 4 too"));
  check_that_it_fits(half);
  CHECK_FALSE(contains(half, "only 99 %"));
  test.reasons.push_back({DropReasonCode::not_tested, 2});
  CHECK(contains(show::to_text(test), "No answer yet: cylinders 2, 3 and 4 were not unplugged."));
  test.reasons = {{DropReasonCode::nothing_stands_out, 0, 0.55}};
  CHECK(contains(show::to_text(test), "The likeliest answer is only 55 % sure."));
}

TEST_CASE("A cylinder unplugged twice is mentioned") {
  DropTest test;
  test.dead = {3};
  test.reasons = {{DropReasonCode::unplugged_again, 1, 2.0}};
  const std::string text = show::to_text(test);
  CHECK(contains(text, "Cylinder 1 was unplugged two times, which is judged as one"));
  check_that_it_fits(text);
}

TEST_CASE(
    "A comparison says whether it misses now, and doubts the order of the names when it got "
    "worse") {
  CHECK(contains(compared(Change::fixed, false, 0.98), "  No miss now  98 % sure"));
  const std::string worse = compared(Change::worse, true, 0.03);
  CHECK(contains(worse, "  Misses now   97 % sure"));
  CHECK(contains(worse, "named the wrong way round"));
  check_that_it_fits(worse);
  CHECK_FALSE(contains(compared(Change::unchanged, true, 0.03), "wrong way round"));
}

TEST_CASE("One recording on both sides is the first thing that is said") {
  Comparison c;
  c.change = Change::unchanged;
  c.miss_after = true;
  c.reasons = {{CompareReasonCode::same_recording}, {CompareReasonCode::miss_remains}};
  const Engine engine = test::four();
  const std::string text = show::to_text(
      {c, {{"b.wav", engine, test::one_dead()}}, {{"b.wav", engine, test::one_dead()}}});
  CHECK(text.starts_with("The same recording before and after"));
  CHECK(contains(text, "Give two recordings"));
  CHECK_FALSE(contains(text, "droptest"));
  check_that_it_fits(text);
  CHECK(contains(show::next_steps(c, show::Place::page).front(), "Mark two recordings"));
}

TEST_CASE("A repair that left a weak cylinder is not the end of the job") {
  Comparison c;
  c.change = Change::fixed;
  c.reasons = {{CompareReasonCode::miss_gone}};
  CHECK(show::headline(c).starts_with("Fixed"));
  c.reasons.push_back({CompareReasonCode::weak_after, 0.93});
  const Engine engine = test::four();
  const std::string text = show::to_text(
      {c, {{"b.wav", engine, test::one_dead()}}, {{"a.wav", engine, test::one_dead()}}});
  CHECK(text.starts_with("It does not miss any more, but one cylinder is weak.\n"));
  CHECK(contains(text, "has a weak cylinder (93 %\n"));
  CHECK(contains(text, "Find the weak cylinder"));
  CHECK_FALSE(contains(text, "Drive it warm"));
}

TEST_CASE("An unplugging that changed nothing names a cylinder only if it was one") {
  Location location = cylinder_three();
  location.reasons = {{LocateReasonCode::same_cylinder, 3}};
  CHECK(contains(show::to_text(location),
                 "It is cylinder 3, if it was really out of action at the mark (over"));
}

TEST_CASE("A cylinder that gives little is not said to give nothing") {
  DropTest test;
  test.dead = {2, 5};
  test.confidence = 0.98;
  for (const int cylinder : {2, 5}) {
    test.cylinders.push_back({});
    test.cylinders.back().cylinder = cylinder;
    test.cylinders.back().contribution = 0.02;
  }
  CHECK(contains(show::to_text(test),
                 "Cylinders 2 and 5 are dead: unplugging them changes nothing (98 % sure).\n"));
  CHECK(contains(show::to_text(test), "Test those cylinders"));
  test.cylinders.back().contribution = 0.55;
  CHECK(contains(show::to_text(test),
                 "Cylinders 2 and 5 are dead or nearly so: unplugging them changes little"));
}

TEST_CASE("A comparison without figures leaves no hole") {
  Comparison c;
  const Engine engine = test::four();
  const show::Report unheard{"a.wav", engine, test::unclear(ReasonCode::no_engine_heard)};
  CHECK_FALSE(contains(show::to_text({c, {unheard}, {unheard}}), "\n\n\n"));
}

TEST_CASE("An injector that leaves out clicks is not passed over") {
  std::vector<InjectorFinding> injectors(2);
  for (InjectorFinding& f : injectors) {
    f.state = InjectorState::clicking;
    f.reason = InjectorReason::once_a_cycle;
  }
  injectors[0].cylinder = 1;
  injectors[1].cylinder = 2;
  CHECK(show::clicks_to_text(injectors, {}).starts_with("Every injector clicks.\n"));
  injectors[1].reason = InjectorReason::misses_clicks;
  injectors[1].value = 0.48;
  const std::string text = show::clicks_to_text(injectors, {});
  CHECK(text.starts_with("Every injector clicks, but not every time: see cylinder 2.\n"));
  CHECK(contains(text, "Clicks are left out"));
}

TEST_CASE("What is said at the bench fits a narrow terminal") {
  const Engine engine = test::four();
  DropTest test;
  test.dead = {3};
  test.confidence = 0.98;
  for (int i = 1; i <= 4; ++i) {
    test.cylinders.push_back({});
    test.cylinders.back().cylinder = i;
    test.cylinders.back().rpm_drop = -120.0;
    test.cylinders.back().rpm_drop_interval = Interval{-140.0, -100.0};
    test.cylinders.back().missing_event_ratio = 0.253;
  }
  Comparison c;
  c.change = Change::fixed;
  c.positions = {{1, 0.04, 1.02}, {12, 1.01, 0.98}};
  c.reasons = {{CompareReasonCode::miss_gone}};
  std::vector<InjectorFinding> injectors(1);
  injectors[0].cylinder = 11;
  injectors[0].reason = InjectorReason::odd_rate;
  for (const int columns : {80, 60, 40}) {
    const show::TextOptions options{.columns = columns};
    check_that_it_fits(show::to_text(test, options), columns);
    check_that_it_fits(show::to_text(cylinder_three(), options), columns);
    check_that_it_fits(
        show::to_text(
            {c, {{"b.wav", engine, test::one_dead()}}, {{"a.wav", engine, test::one_dead()}}},
            options),
        columns);
    check_that_it_fits(show::clicks_to_text(injectors, options), columns);
  }
}
