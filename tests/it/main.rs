mod real_sensor;
mod simulated_sensor;
