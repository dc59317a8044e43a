// What readings point to: the trade's rules, and the arithmetic that must hold whatever they are.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "cards.hpp"
#include "job/diagnose.hpp"

using namespace pipebeat;
using test::find;
using test::four;
using test::read;

namespace {

Diagnosis weigh(const JobCard& card, const std::vector<std::string>& tools = {}) {
  return job::diagnose(card, test::table(), tools);
}

double probability(const Diagnosis& d, std::string_view cause, const std::vector<int>& at) {
  for (const RankedCause& c : d.causes) {
    if (c.cause == cause && c.cylinders == at) return c.probability;
  }
  return 0.0;
}

bool mentions(const std::vector<std::string>& texts, std::string_view words) {
  return std::any_of(texts.begin(), texts.end(), [&](const std::string& t) {
    return t.find(words) != std::string::npos;
  });
}

void name_three(JobCard& card) {
  find(card, "droptest", R"({"dead_cylinders":[3],"confidence":0.95})");
}

}  // namespace

TEST_CASE("probabilities add up to 1, whatever was read") {
  JobCard card = four();
  const auto check = [&] {
    const Diagnosis d = weigh(card);
    double sum = 0.0;
    for (const RankedCause& c : d.causes) {
      CHECK(c.probability >= 0.0);
      CHECK(std::isfinite(c.probability));
      sum += c.probability;
    }
    CHECK(sum == doctest::Approx(1.0));
    REQUIRE_FALSE(d.tests.empty());
    for (const TestAdvice& t : d.tests) {
      double outcomes = 0.0;
      for (const auto& o : t.outcomes) outcomes += o.probability;
      if (!t.outcomes.empty()) CHECK(outcomes == doctest::Approx(1.0));
      CHECK_FALSE(t.cautions.empty());
      CHECK(t.bits >= 0.0);
    }
  };
  check();
  find(card, "check", R"({"verdict":"dead_miss","confidence":0.9,"rpm":{"mean":700}})");
  check();
  name_three(card);
  check();
  for (const char* click : {"no", "yes", "weak"}) {
    read(card, 3, "click", click);
    check();
  }
  read(card, 3, "signal", "none");
  read(card, 3, "spark_kv", "0");
  read(card, 3, "spark_colour", "blue");
  read(card, 3, "compression", "30psi");
  read(card, 1, "compression", "160psi");
  read(card, 3, "compression_wet", "140psi");
  check();
}

TEST_CASE("silent injector: a flashing light condemns the injector, a dark one the wiring") {
  JobCard card = four();
  name_three(card);
  read(card, 3, "click", "no");
  JobCard dark = card;
  read(card, 3, "signal", "flashing");
  CHECK(weigh(card).causes[0].cause == "injector_dead");
  CHECK(weigh(card).causes[0].cylinders == std::vector{3});
  read(dark, 3, "signal", "none");
  CHECK(weigh(dark).causes[0].cause == "injector_signal");
}

TEST_CASE("low compression: oil that raises it points to rings, else to valves") {
  JobCard card = four();
  name_three(card);
  read(card, 3, "compression", "90psi");
  JobCard valve = card;
  read(card, 3, "compression_wet", "130psi");
  CHECK(weigh(card).causes[0].cause == "rings");
  read(valve, 3, "compression_wet", "93psi");
  CHECK(weigh(valve).causes[0].cause == "valve");
}

TEST_CASE("two low cylinders side by side point to the gasket between") {
  JobCard card = four();
  for (int c : {1, 4}) read(card, c, "compression", "165psi");
  for (int c : {2, 3}) read(card, c, "compression", "80psi");
  const Diagnosis d = weigh(card);
  CHECK(d.causes[0].cause == "gasket_between");
  CHECK(d.causes[0].cylinders == std::vector{2, 3});
  // Not side by side: no gasket between them.
  JobCard apart = four();
  for (int c : {2, 3}) read(apart, c, "compression", "165psi");
  for (int c : {1, 4}) read(apart, c, "compression", "80psi");
  for (const RankedCause& c : weigh(apart).causes) {
    if (c.cause == "gasket_between") CHECK(c.probability < 0.35);
  }
}

TEST_CASE("compression: under 100 psi no firing, under three quarters of the highest low") {
  const auto outcome = [](std::string_view own, std::string_view other) {
    JobCard card = four();
    read(card, 1, "compression", own);
    read(card, 2, "compression", other);
    const Diagnosis d = weigh(card);
    for (const RankedCause& c : d.causes) {
      if (c.cause != "valve" || c.cylinders != std::vector{1}) continue;
      if (mentions(c.evidence_for, "too low to fire")) return "dead";
      if (mentions(c.evidence_for, "three quarters")) return "low";
    }
    return "good";
  };
  CHECK(std::string{outcome("98psi", "165psi")} == "dead");
  CHECK(std::string{outcome("102psi", "165psi")} == "low");
  CHECK(std::string{outcome("126psi", "165psi")} == "good");
  CHECK(std::string{outcome("102psi", "130psi")} == "good");
}

TEST_CASE("idle miss that clears with revs: sealing or air; that comes with load: spark") {
  const auto sum = [](const Diagnosis& d, std::initializer_list<std::string_view> causes) {
    double total = 0.0;
    for (const auto cause : causes) total += probability(d, cause, {3});
    return total;
  };
  JobCard card = four();
  name_three(card);
  const Diagnosis before = weigh(card);
  JobCard load = card;
  read(card, 0, "clears_with_revs", "yes");
  CHECK(sum(weigh(card), {"valve", "rings", "runner_air_leak"}) >
        1.5 * sum(before, {"valve", "rings", "runner_air_leak"}));
  read(load, 0, "comes_with_load", "yes");
  CHECK(sum(weigh(load), {"coil", "lead", "plug"}) > 1.1 * sum(before, {"coil", "lead", "plug"}));
}

TEST_CASE("recordings at two speeds say by themselves whether the miss clears") {
  JobCard card = four();
  find(card, "check", R"({"verdict":"dead_miss","confidence":0.9,"rpm":{"mean":700}})");
  find(card, "check", R"({"verdict":"even","confidence":0.9,"rpm":{"mean":1800}})");
  const Diagnosis d = weigh(card);
  CHECK(mentions(d.causes[0].evidence_for, "cylinder that never fires"));
  for (const RankedCause& c : d.causes) {
    if (c.cause == "runner_air_leak") CHECK(mentions(c.evidence_for, "clears at a raised speed"));
  }
}

TEST_CASE("findings of every listening command count, unclear ones don't") {
  JobCard card = four();
  const auto without = weigh(card);
  find(card, "check", R"({"verdict":"unclear","confidence":null})");
  find(card, "droptest", R"({"dead_cylinders":null})");
  find(card, "clicks", R"({"injectors":[{"cylinder":2,"state":"unclear"}]})");
  CHECK(weigh(card).causes[0].probability == without.causes[0].probability);
  JobCard located = four();
  find(located, "locate", R"({"candidates":[{"cylinder":3,"probability":0.9},{"cylinder":2,"probability":0.1}]})");
  const auto l = weigh(located).cylinder_probability;
  CHECK(l[2] > 0.5);
  CHECK(l[1] > l[0]);
  JobCard guessed = four();
  find(guessed, "locate", R"({"candidates":[{"cylinder":3,"probability":0.9},{"cylinder":2,"probability":0.1}],"assumed_order":"1-3-4-2"})");
  CHECK(weigh(guessed).cylinder_probability[2] < l[2]);
  CHECK(weigh(guessed).cylinder_probability[2] > weigh(guessed).cylinder_probability[1]);
  // A drop test needs no order: when it names the same cylinder, whichever was done first, the order was right.
  JobCard stated = located;
  for (JobCard* both : {&guessed, &stated}) find(*both, "droptest", R"({"dead_cylinders":[3],"confidence":0.98})");
  CHECK(weigh(guessed).cylinder_probability[2] == weigh(stated).cylinder_probability[2]);
  JobCard clicked = located;
  find(clicked, "clicks", R"({"injectors":[{"cylinder":3,"state":"silent"},{"cylinder":1,"state":"clicking"}]})");
  CHECK(probability(weigh(clicked), "injector_dead", {3}) >
        3.0 * probability(weigh(located), "injector_dead", {3}));
}

TEST_CASE("findings edited into nonsense are passed over") {
  for (const char* json :
       {"{}", R"({"verdict":5})", R"({"verdict":"haunted"})", R"({"dead_cylinders":[99,"x",-1]})",
        R"({"dead_cylinders":{}})", R"({"candidates":[5,{"cylinder":3}]})",
        R"({"candidates":[{"cylinder":3,"probability":1e300}]})", R"({"injectors":"all"})",
        R"({"verdict":"even","confidence":-7,"rpm":{"mean":-1e300}})"}) {
    for (const char* command : {"check", "listen", "compare", "droptest", "locate", "clicks", "odd"}) {
      JobCard card = four();
      find(card, command, json);
      double sum = 0.0;
      for (const RankedCause& c : weigh(card).causes) sum += c.probability;
      CHECK(sum == doctest::Approx(1.0));
    }
  }
}

TEST_CASE("contradictory readings are pointed out") {
  JobCard card = four();
  name_three(card);
  read(card, 3, "click", "yes");
  CHECK(weigh(card).contradictions.empty());
  read(card, 3, "signal", "none");
  CHECK(mentions(weigh(card).contradictions, "cylinder 3: the injector clicks"));
  JobCard twice = four();
  read(twice, 2, "compression", "160psi");
  read(twice, 2, "compression", "60psi");
  CHECK(mentions(weigh(twice).contradictions, "read twice"));
  JobCard two_faults = four();
  name_three(two_faults);
  read(two_faults, 1, "click", "no");
  read(two_faults, 1, "signal", "none");
  read(two_faults, 3, "compression", "20psi");
  CHECK(mentions(weigh(two_faults).contradictions, "two faults"));
}

TEST_CASE("corrected and withdrawn readings no longer count") {
  JobCard card = four();
  name_three(card);
  const auto clean = weigh(card);
  read(card, 3, "click", "no");
  card.entries.back().id = 7;
  JobEntry withdrawal;
  withdrawal.id = 8;
  withdrawal.kind = JobEntry::Kind::withdrawal;
  withdrawal.replaces = 7;
  CHECK(probability(weigh(card), "injector_dead", {3}) >
        probability(clean, "injector_dead", {3}));
  card.entries.push_back(withdrawal);
  CHECK(probability(weigh(card), "injector_dead", {3}) ==
        probability(clean, "injector_dead", {3}));
}

TEST_CASE("after work only what follows counts") {
  JobCard card = four();
  name_three(card);
  read(card, 3, "spark_kv", "0");
  read(card, 3, "arcing", "yes");
  read(card, 3, "lead_resistance", "5megohm");
  CHECK(weigh(card).settled);
  CHECK(weigh(card).tests[0].test == "repair_and_prove");
  test::work(card, "new lead");
  const Diagnosis after = weigh(card);
  CHECK(after.causes[0].cause == "no_fault");
  CHECK_FALSE(after.settled);
  CHECK(mentions(after.remarks, "set aside"));
  find(card, "check", R"({"verdict":"even","confidence":0.9,"rpm":{"mean":700}})");
  CHECK(weigh(card).settled);
  CHECK(weigh(card).tests[0].test == "nothing_to_repair");
  CHECK(weigh(card).tests.size() == 1);
  find(card, "check", R"({"verdict":"dead_miss","confidence":0.95,"rpm":{"mean":700}})");
  CHECK(probability(weigh(card), "no_fault", {}) < 0.2);
}

TEST_CASE("two cylinders that a drop test names may be two faults, and that is said") {
  JobCard card = four();
  find(card, "droptest", R"({"dead_cylinders":[3],"confidence":0.98})");
  CHECK_FALSE(mentions(weigh(card).remarks, "give no power"));
  card.entries.clear();
  find(card, "droptest", R"({"dead_cylinders":[1,4],"confidence":0.98})");
  CHECK(mentions(weigh(card).remarks, "cylinders 1 and 4 give no power"));
}

TEST_CASE("a swap told in two parts does not contradict itself") {
  JobCard card = four();
  read(card, 2, "swapped", "lead:2>3");
  read(card, 2, "swapped", "lead:2>3", "no");
  CHECK(weigh(card).contradictions.empty());
  read(card, 2, "swapped", "lead:2>3", "yes");
  CHECK(mentions(weigh(card).contradictions, "read twice"));
}

TEST_CASE("what is nearly certain is not said to be certain") {
  JobCard card = four();
  find(card, "check", R"({"verdict":"dead_miss","confidence":0.9981,"rpm":{"mean":700}})");
  const auto says = [&](std::string_view part) {
    const Diagnosis d = weigh(card);
    return std::any_of(d.causes.begin(), d.causes.end(), [&](const RankedCause& c) { return mentions(c.evidence_for, part); });
  };
  CHECK(says("over 99 % sure"));
  CHECK_FALSE(says("100 %"));
}

TEST_CASE("no test asks for what the engine has not") {
  const auto offered = [](const JobCard& card, std::string_view test) {
    const Diagnosis d = weigh(card);
    return std::any_of(d.tests.begin(), d.tests.end(), [&](const TestAdvice& t) { return t.test == test; });
  };
  JobCard card = four();
  CHECK(offered(card, "read_codes"));
  CHECK(probability(weigh(card), "valve", {1}) > 0.0);
  card.bench.injection = Injection::carburettor;  // no control unit counts misfires
  CHECK_FALSE(offered(card, "read_codes"));
  card.bench = {4, Fuel::diesel, Injection::mechanical, Ignition::none};
  CHECK_FALSE(offered(card, "read_codes"));
  card.bench = {4, Fuel::petrol, Injection::carburettor, Ignition::leads, 2};
  CHECK(probability(weigh(card), "valve", {1}) == 0.0);  // a two-stroke's ports have no valves
}

TEST_CASE("only tests that the tools and the engine allow are offered") {
  JobCard card = four();
  name_three(card);
  for (const TestAdvice& t : weigh(card, {"none"}).tests) {
    const auto& tests = test::table().tests;
    const auto it = std::find_if(tests.begin(), tests.end(), [&](const auto& x) { return x.code == t.test; });
    REQUIRE(it != tests.end());
    CHECK(it->tools.empty());
  }
  card.bench = {4, Fuel::diesel, Injection::rail, Ignition::none};
  for (const TestAdvice& t : weigh(card).tests) {
    CHECK(t.test != "spark_test");
    CHECK(t.test != "injector_signal_light");
    CHECK(t.test != "compression_wet");
  }
  for (const RankedCause& c : weigh(card).causes) {
    CHECK(c.cause != "coil");
    CHECK(c.cause != "plug");
    CHECK(c.cause != "lead");
  }
}

TEST_CASE("a one-cylinder engine is at fault in its one cylinder") {
  JobCard card = four();
  card.engine = {1, 4, {}, {}, {}};
  card.bench.cylinders = 1;
  card.rows.clear();
  find(card, "droptest", R"({"dead_cylinders":[1],"confidence":0.9})");
  read(card, 1, "spark_kv", "0");
  const Diagnosis d = weigh(card);
  CHECK(d.cylinder_probability.size() == 1);
  CHECK(d.cylinder_probability[0] > 0.9);
}

TEST_CASE("a drop is weighed against the largest: a quarter of it is hardly one") {
  const auto at_three = [](std::string_view drop) {
    JobCard card = four();
    for (int c : {1, 2, 4}) read(card, c, "drop", "60rpm");
    read(card, 3, "drop", drop);
    double sum = 0.0;
    for (const RankedCause& c : weigh(card).causes) {
      if (c.cylinders == std::vector{3}) sum += c.probability;
    }
    return sum;
  };
  CHECK(at_three("58rpm") < at_three("30rpm"));
  CHECK(at_three("30rpm") < at_three("10rpm"));
  CHECK(at_three("10rpm") == doctest::Approx(at_three("2rpm")));
}
