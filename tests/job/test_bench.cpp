// Readings: units, what is possible, what fuel and injection allow; codes; spark gaps.
#include <doctest/doctest.h>

#include <array>

#include "pipebeat/bench.hpp"

using namespace pipebeat;

namespace {

const Bench petrol{4, Fuel::petrol, Injection::port, Ignition::leads};
const Bench diesel{4, Fuel::diesel, Injection::rail, Ignition::none};

double value(std::string_view what, std::string_view text, const Bench& bench = petrol) {
  const auto read = read_reading(what, text, 1, bench);
  REQUIRE_MESSAGE(read, text);
  return read->reading.value.value();
}

bool refused(std::string_view what, std::string_view text, const Bench& bench = petrol,
             int cylinder = 1) {
  const auto read = read_reading(what, text, cylinder, bench);
  return !read && read.error().code == ErrorCode::bad_argument && !read.error().hint.empty();
}

}  // namespace

TEST_CASE("units are read, metric and not") {
  // NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa, 1 bar = 100 kPa, 1 kgf/cm2 = 98.0665 kPa (the last from memory).
  CHECK(value("compression", "10kg/cm2") == doctest::Approx(980.665));
  CHECK(value("compression", "10 kg/cm\u00b2") == doctest::Approx(980.665));
  CHECK(value("compression", "92psi") == doctest::Approx(634.318).epsilon(1e-6));
  CHECK(value("compression", "92 PSI") == doctest::Approx(634.318).epsilon(1e-6));
  CHECK(value("compression", "9.5bar") == doctest::Approx(950.0));
  CHECK(value("compression", "950kPa") == doctest::Approx(950.0));
  CHECK(value("compression", "1.1MPa") == doctest::Approx(1100.0));
  CHECK(value("resistance", "14.5ohm") == doctest::Approx(14.5));
  CHECK(value("lead_resistance", "12kohm") == doctest::Approx(12e3));
  CHECK(value("spark_kv", "30") == doctest::Approx(30.0));
  CHECK(value("spark_kv", "30000V") == doctest::Approx(30.0));
  CHECK(value("leakdown", "35%") == doctest::Approx(35.0));
  CHECK(value("drop", "40rpm") == doctest::Approx(40.0));
  CHECK(value("fuel_trim", "-18%") == doctest::Approx(-18.0));
  CHECK(value("fuel_trim", "+18%") == doctest::Approx(18.0));
}

TEST_CASE("what can't be is refused, with the reason") {
  for (const char* text : {"", "psi", "92", "92 furlong", "-5bar", "nan psi", "inf bar", "1e9bar",
                           "92psi92", "9,5bar", "0x10bar", "99999psi"}) {
    CHECK_MESSAGE(refused("compression", text), text);
  }
  CHECK(refused("leakdown", "101%"));
  CHECK(refused("leakdown", "-1%"));
  CHECK(refused("spark_kv", "400kV"));
  CHECK(refused("click", "maybe"));
  CHECK(refused("click", "yes", petrol, 0));
  CHECK(refused("click", "yes", petrol, 5));
  CHECK(refused("click", "yes", petrol, -1));
  CHECK(refused("colour", "blue"));
  CHECK(refused("code", "P03"));
  CHECK(refused("code", "P0305"));  // a four has no cylinder 5
  for (const char* text : {"coil", "coil:3", "coil:3>9", "coil:0>1", "coil:3>3", "wheel:1>2",
                           "coil:3>4x", ":3>4", "coil:99999999999>1"}) {
    CHECK_MESSAGE(refused("swapped", text), text);
  }
}

TEST_CASE("a swap names its two cylinders, with or without the shell's own sign") {
  for (const char* text : {"coil:3>4", "coil:3-4", "COIL:3>4"}) {
    const auto read = read_reading("swapped", text, 0, petrol);
    REQUIRE_MESSAGE(read, text);
    CHECK(read->reading.word == "coil");
    CHECK(read->reading.cylinder == 3);
    CHECK(read->reading.swapped_with == 4);
  }
}

TEST_CASE("what is unusual is kept, with a warning") {
  CHECK(read_reading("compression", "150psi", 1, petrol)->warnings.empty());
  // In the unit that was typed: 500 to 1750 kPa.
  CHECK(read_reading("compression", "20psi", 1, petrol)->warnings.front().find("usual is 72.52 to 253.8 psi") != std::string::npos);
  CHECK(read_reading("compression", "120kPa", 1, petrol)->warnings.front().find("usual is 500 to 1750 kPa") != std::string::npos);
  CHECK(read_reading("compression", "20psi", 1, petrol)->warnings.size() == 1);
  CHECK(read_reading("compression", "400psi", 1, petrol)->warnings.size() == 1);
  CHECK(read_reading("compression", "400psi", 1, diesel)->warnings.empty());
  CHECK(read_reading("resistance", "900kohm", 1, petrol)->warnings.size() == 1);
  CHECK(read_reading("code", "P0420", 0, petrol)->warnings.size() == 1);
}

TEST_CASE("the rules follow the fuel") {
  CHECK(refused("spark_kv", "20", diesel));
  CHECK(refused("spark_colour", "blue", diesel));
  CHECK(refused("plug", "wet", diesel));
  CHECK(refused("arcing", "yes", diesel));
  CHECK(refused("swapped", "coil:1>2", diesel));
  CHECK(refused("signal", "flashing", diesel));
  CHECK_FALSE(refused("click", "yes", diesel));
  CHECK_FALSE(refused("signal", "flashing", petrol));
  CHECK(refused("signal", "flashing", {4, Fuel::petrol, Injection::direct, Ignition::leads}));
  CHECK(refused("click", "yes", {4, Fuel::petrol, Injection::carburettor, Ignition::leads}));
  CHECK(refused("lead_resistance", "9kohm",
                {4, Fuel::petrol, Injection::port, Ignition::coil_on_plug}));
  CHECK(refused("compression", "700psi", petrol));  // 48 bar
  CHECK_FALSE(refused("compression", "700psi", diesel));
}

TEST_CASE("fault codes say what the standard says") {
  // SAE J2012 / ISO 15031-6, from memory: P0300 random or multiple misfire, P0301 to P0312 misfire
  // of cylinder 1 to 12, P0201 to P0212 its injector circuit, P0351 to P0362 its coil circuit.
  using P = FaultCode::Points;
  CHECK(fault_code("P0300")->points == P::random_miss);
  CHECK(fault_code("P0300")->cylinder == 0);
  constexpr std::array misfires{"P0301", "P0302", "P0303", "P0304", "P0305", "P0306",
                                "P0307", "P0308", "P0309", "P0310", "P0311", "P0312"};
  constexpr std::array coils{"P0351", "P0352", "P0353", "P0354", "P0355", "P0356",
                             "P0357", "P0358", "P0359", "P0360", "P0361", "P0362"};
  for (std::size_t i = 0; i < misfires.size(); ++i) {
    const int cylinder = static_cast<int>(i) + 1;
    std::string injector = misfires[i];
    injector[2] = '2';
    CHECK(fault_code(misfires[i])->points == P::cylinder_miss);
    CHECK(fault_code(misfires[i])->cylinder == cylinder);
    CHECK(fault_code(injector)->points == P::injector_circuit);
    CHECK(fault_code(injector)->cylinder == cylinder);
    CHECK(fault_code(coils[i])->points == P::coil_circuit);
    CHECK(fault_code(coils[i])->cylinder == cylinder);
  }
  CHECK(fault_code("p0303")->cylinder == 3);
  CHECK(fault_code("P0313")->points == P::elsewhere);  // misfire with low fuel: no cylinder
  CHECK(fault_code("P030A")->points == P::elsewhere);
  CHECK(fault_code("P0171")->points == P::too_lean);
  CHECK(fault_code("P0172")->points == P::too_rich);
  CHECK(fault_code("P0335")->points == P::shared_sensor);
  CHECK(fault_code("P0420")->points == P::elsewhere);
  CHECK(fault_code("C0300")->points == P::elsewhere);
  for (const char* text : {"", "P", "P030", "P03000", "X0300", "P0 00", "P9300", "P03\xff\xff"}) {
    CHECK_FALSE(fault_code(text).has_value());
  }
}

TEST_CASE("spark gaps: a uniform field breaks down as published") {
  // 0.8 mm 3.7 to 4.2 kV and 10 mm 30 to 36 kV at 1 atm: the range of published values.
  const double narrow = breakdown_between_balls(Millimetres{0.8}).value();
  CHECK(narrow > 3.7);
  CHECK(narrow < 4.2);
  const double wide = breakdown_between_balls(Millimetres{10.0}).value();
  CHECK(wide > 30.0);
  CHECK(wide < 36.0);
  CHECK(breakdown_between_balls(Millimetres{0.0}).value() == 0.0);
  // Paschen's law: only pressure times gap counts.
  CHECK(breakdown_between_balls(Millimetres{10.0}, Kilopascals{50.0}).value() ==
        doctest::Approx(breakdown_between_balls(Millimetres{5.0}, Kilopascals{100.0}).value()));
  for (double mm : {0.5, 2.0, 8.0, 25.0}) {
    CHECK(gap_between_balls(breakdown_between_balls(Millimetres{mm})).value() ==
          doctest::Approx(mm).epsilon(1e-6));
  }
}

TEST_CASE("spark gaps: points break down far lower, in a wide range") {
  const auto points = breakdown_between_points(Millimetres{20.0});
  REQUIRE(points);
  CHECK(points->low > 10.0);
  CHECK(points->high < 40.0);
  CHECK(points->high > 1.5 * points->low);
  CHECK(points->high < breakdown_between_balls(Millimetres{20.0}).value());
  CHECK_FALSE(breakdown_between_points(Millimetres{3.0}));
  CHECK_FALSE(breakdown_between_points(Millimetres{70.0}));
  CHECK(breakdown_between_points(Millimetres{60.0}));
}
